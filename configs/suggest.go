package configs

import (
	"slices"
	"strings"
	"unicode/utf8"
)

// DidYouMean returns "did you mean ...?" for the word nearest to text, or the
// list of all words when none is near and the list is short, or "".
func DidYouMean(text string, words []string) string {
	if best := nearest(text, words); best != "" {
		return "did you mean " + best + "?"
	}
	if n := len(words); n == 0 || n > 24 {
		return ""
	}
	sorted := slices.Sorted(slices.Values(words))
	return "known: " + strings.Join(sorted, ", ")
}

// nearest returns the word at the smallest edit distance from text, or "" if
// even that one is too far to be meant. Ties go to the first in alphabet.
func nearest(text string, words []string) string {
	best, bestAt := "", 1+max(1, utf8.RuneCountInString(text)/3)
	folded := fold(text)
	for _, w := range words {
		d := distance(folded, fold(w), bestAt)
		if d < bestAt || d == bestAt && best != "" && w < best {
			best, bestAt = w, d
		}
	}
	return best
}

// fold makes spellings of the same word equal: case, underscores and spaces.
func fold(text string) []rune {
	return []rune(strings.NewReplacer("_", "-", " ", "-").Replace(strings.ToLower(text)))
}

// distance is the number of insertions, deletions, replacements and swaps of
// neighbours between a and b (optimal string alignment), or limit+1 if the
// lengths alone put it above limit.
func distance(a, b []rune, limit int) int {
	if diff := len(a) - len(b); diff > limit || -diff > limit {
		return limit + 1
	}
	before, last, cur := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := range a {
		cur[0] = i + 1
		for j := range b {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			cur[j+1] = min(last[j]+cost, last[j+1]+1, cur[j]+1)
			if i > 0 && j > 0 && a[i] == b[j-1] && a[i-1] == b[j] {
				cur[j+1] = min(cur[j+1], before[j-1]+1)
			}
		}
		before, last, cur = last, cur, before
	}
	return last[len(b)]
}

// quoted is a word in quotes, shortened if it is long.
func quoted(word string) string { return `"` + shorten(word) + `"` }
