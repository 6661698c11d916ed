package configs_test

import (
	"math/rand/v2"
	"strings"
	"testing"
	"unicode"

	"go.yaml.in/yaml/v4"

	"example.net/standwatch/configs"
)

// Whatever a value says and however YAML writes it, a place within it is either
// where the file has that very character or where the value begins. The values
// are made up of what may be escaped, folded or quoted, always the same ones.
func TestPlaceWithinAValue(t *testing.T) {
	r := rand.New(rand.NewPCG(3414, 1))
	letters := []rune(`ab"'\ü# :{}&|>` + "  \n\n\t")
	exact := map[yaml.Style]int{}
	styles := []yaml.Style{0, yaml.SingleQuotedStyle, yaml.DoubleQuotedStyle, yaml.LiteralStyle, yaml.FoldedStyle}
	for range 4000 {
		text := make([]rune, 1+r.IntN(30))
		for i := range text {
			text[i] = letters[r.IntN(len(letters))]
		}
		style := styles[r.IntN(len(styles))]
		file, err := yaml.Dump(&yaml.Node{Kind: yaml.MappingNode, Content: []*yaml.Node{
			{Kind: yaml.ScalarNode, Value: "first"}, {Kind: yaml.ScalarNode, Value: "x"},
			{Kind: yaml.ScalarNode, Value: "when"}, {Kind: yaml.ScalarNode, Tag: "!!str", Value: string(text), Style: style},
		}})
		if err != nil {
			t.Fatal(err)
		}
		var back yaml.Node
		if err := yaml.Load(file, &back); err != nil {
			t.Fatalf("%q: %v", file, err)
		}
		value := back.Content[0].Content[3]
		at := configs.Pos{File: "f", Line: value.Line, Column: value.Column}
		n := r.IntN(len(text) + 1)
		ahead := string(text[:n])
		line, column := 1+strings.Count(ahead, "\n"), 1+len([]rune(ahead[strings.LastIndexByte(ahead, '\n')+1:]))
		got := configs.WithinForTest(file, at, value.Value, line, column)
		if got == at {
			continue // it cannot be said more exactly
		}
		exact[style]++
		lines := strings.Split(string(file), "\n")
		if got.Line < at.Line || got.Line > len(lines) {
			t.Fatalf("%q in %q: line %d", text, file, got.Line)
		}
		row := append([]rune(lines[got.Line-1]), '\n')
		if got.Column < 1 || got.Column > len(row) {
			t.Fatalf("%q in %q: column %d of line %d", text, file, got.Column, got.Line)
		}
		if n < len(text) && !unicode.IsSpace(text[n]) && row[got.Column-1] != text[n] {
			t.Errorf("character %d (%q) of %q is said to be %q at %d:%d in %q", n, text[n], text, row[got.Column-1], got.Line, got.Column, file)
		}
	}
	for _, style := range styles {
		if exact[style] < 50 {
			t.Errorf("style %d: only %d places were said exactly", style, exact[style])
		}
	}
}
