package scenario

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"example.net/standwatch/correlate"
)

// Run plays a scenario and returns a picture of how it ended, which two runs of
// the same scenario can be compared by. The error names the line at which
// something else happened than the story says.
func Run(ctx context.Context, sc *Scenario, o Options) (picture string, err error) {
	w, err := newWorld(sc, o)
	if err != nil {
		return "", err
	}
	if err := w.open(ctx); err != nil {
		return "", fmt.Errorf("%s: %w", sc.File, err)
	}
	defer func() { err = errors.Join(err, w.close()) }()
	if err := w.submit(ctx, &correlate.Start{Version: "scenario", Hash: w.cfg.Hash}); err != nil {
		return "", fmt.Errorf("%s: %w", sc.File, err)
	}
	for _, step := range sc.Steps {
		if err := w.step(ctx, step); err != nil {
			return "", mistake(sc.File, step.Line, "%w", err)
		}
	}
	return w.picture(ctx)
}

// step lets time go by until a step and plays it.
func (w *world) step(ctx context.Context, s Step) error {
	if w.o.Restarts {
		if err := w.restart(ctx); err != nil {
			return err
		}
	}
	if s.When != "" {
		to, err := moment(s.When, w.clock.now(), w.cfg.Centre.Zone)
		if err != nil {
			return err
		}
		if to.Before(w.clock.now()) {
			return fmt.Errorf("%s is before %s, when the step before happened: write the date", s.When, w.clock.now().In(w.cfg.Centre.Zone).Format(time.DateTime))
		}
		if err := w.pass(ctx, to); err != nil {
			return err
		}
	}
	if s.What == "" {
		return nil
	}
	if checked, err := w.expect(s.What); checked {
		return err
	}
	w.events = nil
	return w.do(ctx, s.What)
}

// picture writes down the state at the end: the board, every alarm, and who was
// told of what. It also folds the whole journal anew and compares.
func (w *world) picture(ctx context.Context) (string, error) {
	var out []string
	w.ledger.Read(func(st *correlate.State, _ *correlate.Network) { out = describe(st) })
	folded := correlate.NewState()
	if err := w.store.Scan(ctx, 1, func(r *correlate.Record) error { folded.Fold(r); return nil }); err != nil {
		return "", err
	}
	if again := describe(folded); !slices.Equal(out, again) {
		return "", fmt.Errorf("%s: the journal folded anew gives\n%s\nand not\n%s", w.sc.File, strings.Join(again, "\n"), strings.Join(out, "\n"))
	}
	var told []string
	for _, m := range w.gate.since(0) {
		told = append(told, "told "+telling(m))
	}
	slices.Sort(told)
	return strings.Join(append(out, told...), "\n"), nil
}

func describe(st *correlate.State) (out []string) {
	for _, a := range st.Alarms {
		out = append(out, fmt.Sprintf("alarm %s standing %t changed %s raised %s %s", spell(a.Key), a.Standing, a.Changed.Format(time.RFC3339Nano), a.Raised.Format(time.RFC3339Nano), strings.Join(marks(a), ", ")))
	}
	for _, c := range st.CallOuts {
		out = append(out, fmt.Sprintf("call-out of %s since %s %s rung %d round %d taken by %q", spell(c.Key), c.Opened.Format(time.RFC3339Nano), c.State, c.Rung, c.Round, c.TakenBy))
	}
	for _, s := range st.Listed() {
		out = append(out, fmt.Sprintf("silence %s %t", s.Kind, s.Open))
	}
	out = append(out, fmt.Sprintf("flood %t", st.Flood.On()))
	slices.Sort(out)
	return out
}
