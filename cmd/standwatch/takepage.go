package main

import (
	"bytes"
	"crypto/rand"
	_ "embed"
	"errors"
	"html/template"
	"net/http"
	"time"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
	"example.net/standwatch/notify/answer"
)

//go:embed takepage.html
var takePageText string

// linkSecret is the name of the key for links in the data folder.
const linkSecret = "links"

// openSigner makes the signer of links, from a key that lasts as long as the
// data folder.
func (d *daemon) openSigner() error {
	key, err := d.store.Secret(linkSecret, func() []byte {
		key := make([]byte, answer.MinKey)
		_, _ = rand.Read(key) // never fails (crypto/rand)
		return key
	})
	if err != nil {
		return err
	}
	d.linkKey = key
	d.signer, err = answer.NewSigner(key)
	return err
}

// armed returns the configuration with a plan that can make links.
func (d *daemon) armed(cfg *configs.Config) *configs.Config {
	armed := *cfg
	armed.Plan = cfg.Plan.WithLinks(func(id correlate.CallOutID, person string, until time.Time) string {
		return d.signer.Sign(answer.Claim{CallOut: string(id), Person: person, Until: until})
	})
	return &armed
}

// takeView is what the page of a link shows. Over or Said stands in place of
// the buttons.
type takeView struct {
	notify.Offer
	Centre string
	Said   string
	Bad    string // the link is none, or no longer one
}

// takePage shows what a link is about. It changes nothing, whoever follows it:
// mail scanners do.
func (d *daemon) takePage(w http.ResponseWriter, r *http.Request) {
	_, view, status := d.offered(r)
	d.showTake(w, status, view)
}

// takePress does what the button says that was pressed.
func (d *daemon) takePress(w http.ResponseWriter, r *http.Request) {
	claim, view, status := d.offered(r)
	action, known := map[string]correlate.Action{"take": correlate.ActAcknowledge, "pass": correlate.ActPass}[r.PostFormValue("do")]
	switch {
	case status != http.StatusOK || view.Over != "":
		d.showTake(w, status, view)
		return
	case !known:
		d.showTake(w, http.StatusBadRequest, takeView{Centre: view.Centre, Bad: "Nothing was pressed."})
		return
	}
	var in *correlate.Reply
	plan := d.plan()
	d.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		in = plan.Press(st, correlate.CallOutID(claim.CallOut), claim.Person, action)
	})
	receipt, err := d.ledger.Submit(r.Context(), in)
	if err != nil {
		d.log.Error().Err(err).Msg("an answer by link could not be made durable")
		d.showTake(w, http.StatusServiceUnavailable, takeView{Centre: view.Centre, Bad: "It could not be written down, so it does not count. Please press again, or answer another way."})
		return
	}
	view.Said = plan.Outcome(in, receipt.Events)
	d.showTake(w, http.StatusOK, view)
}

// offered opens the link of a request.
func (d *daemon) offered(r *http.Request) (claim answer.Claim, view takeView, status int) {
	view.Centre = d.current().Centre.Name
	claim, err := d.signer.Open(r.PathValue("token"), d.opts.Now())
	switch {
	case errors.Is(err, answer.ErrTooLate):
		view.Bad = "This link is too old. The board has what still stands."
		return claim, view, http.StatusGone
	case err != nil:
		view.Bad = "This link is none of ours, or was cut short on its way. Open it again from the message itself."
		return claim, view, http.StatusNotFound
	}
	found := false
	plan := d.plan()
	d.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		view.Offer, found = plan.Offer(st, correlate.CallOutID(claim.CallOut), claim.Person, d.opts.Now())
	})
	if !found {
		view.Bad = "What this link was about is long over."
		return claim, view, http.StatusGone
	}
	return claim, view, http.StatusOK
}

func (d *daemon) showTake(w http.ResponseWriter, status int, view takeView) {
	var b bytes.Buffer
	page, err := template.New("take").Parse(takePageText)
	if err == nil {
		err = page.Execute(&b, view)
	}
	if err != nil {
		d.log.Error().Err(err).Msg("the page of a link cannot be made")
		http.Error(w, "the page cannot be made", http.StatusInternalServerError)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Cache-Control", "no-store")
	h.Set("Referrer-Policy", "no-referrer") // the address is the proof
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Robots-Tag", "noindex")
	h.Set("Content-Security-Policy", "default-src 'none'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'")
	w.WriteHeader(status)
	// A reader that went away needs no answer.
	_, _ = b.WriteTo(w)
}
