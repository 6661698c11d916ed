package terminal

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	tea "charm.land/bubbletea/v2"
)

// Options are what the watch needs. All are required but Colour.
type Options struct {
	Client *Client
	In     io.Reader
	Out    io.Writer
	Now    func() time.Time
	Colour bool // styles and hues; the words say the same
}

// Run shows the watch until ctx ends or the person leaves it.
func Run(ctx context.Context, o Options) error {
	ctx, cancel := context.WithCancel(ctx)
	var following sync.WaitGroup
	defer following.Wait()
	defer cancel()
	screen := tea.NewProgram(newModel(ctx, o.Client, o.Now, o.Colour), tea.WithContext(ctx), tea.WithInput(o.In), tea.WithOutput(o.Out), tea.WithoutSignalHandler(),
		tea.WithWindowSize(80, 24)) // until the terminal says its own
	following.Go(func() { o.Client.follow(ctx, func(v any) { screen.Send(v) }) })
	if _, err := screen.Run(); err != nil && !errors.Is(err, context.Canceled) && !errors.Is(err, tea.ErrProgramKilled) {
		return fmt.Errorf("show the watch: %w", err)
	}
	return nil
}

// Once writes the sentence and what stands, once, as plain lines: for pipes,
// for scripts, and for whoever has a screen read aloud.
func Once(ctx context.Context, o Options) error {
	board, err := o.Client.board(ctx)
	if err != nil {
		return err
	}
	m := newModel(ctx, o.Client, o.Now, o.Colour)
	m.width = 1 << 16
	m.take(board.Alarms)
	var b strings.Builder
	b.WriteString(board.Sentence + "\n")
	for _, l := range m.lines() {
		b.WriteString(m.draw(l) + "\n")
	}
	if _, err := io.WriteString(o.Out, b.String()); err != nil {
		return fmt.Errorf("write what stands: %w", err)
	}
	return nil
}
