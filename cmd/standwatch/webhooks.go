package main

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
	"example.net/standwatch/notify/incoming"
)

// answerRoutes registers what is reached without a session and with a proof of
// its own: what gateways send back, the pages of links, and calendars.
func (d *daemon) answerRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /in/{gateway}", d.fromGateway)
	mux.HandleFunc("POST /in/{gateway}", d.fromGateway)
	mux.HandleFunc("GET "+notify.TakePath+"{token}", d.takePage)
	mux.HandleFunc("POST "+notify.TakePath+"{token}", d.takePress)
	mux.HandleFunc("GET "+calendarBase+"{file}", d.calendar)
}

// fromGateway takes what a gateway sends back. It answers 204 once everything
// in it is durable; a gateway that hears anything else should send it again.
func (d *daemon) fromGateway(w http.ResponseWriter, r *http.Request) {
	g := d.gateway(r.PathValue("gateway"))
	if g == nil || g.Incoming == nil {
		refuse(w, http.StatusNotFound, "no gateway of that name sends anything back")
		return
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, incoming.MaxBody))
	if err != nil {
		refuse(w, http.StatusRequestEntityTooLarge, "the request is too long, or broke off")
		return
	}
	reader, err := incoming.New(*g.Incoming)
	if err != nil {
		refuse(w, http.StatusInternalServerError, "the gateway is not configured as it should be")
		return
	}
	in, err := reader.Read(r, body, d.opts.Now())
	if err != nil {
		d.log.Warn().Err(err).Str("gateway", g.Name).Str("from", r.RemoteAddr).Msg("a request from a gateway was refused")
	}
	switch {
	case errors.Is(err, incoming.ErrProof), errors.Is(err, incoming.ErrStale):
		refuse(w, http.StatusUnauthorized, err.Error())
	case err != nil:
		refuse(w, http.StatusBadRequest, err.Error())
	default:
		d.brought(w, r, g, in)
	}
}

// brought makes what a request brought durable.
func (d *daemon) brought(w http.ResponseWriter, r *http.Request, g *configs.Gateway, in incoming.Incoming) {
	for _, m := range in.Messages {
		if m.Auto {
			d.log.Info().Str("gateway", g.Name).Msg("a mail that a machine wrote was left alone")
			continue
		}
		h := notify.Heard{Gateway: g.Name, From: m.From, Text: m.Text, GatewayID: m.ID}
		if g.Mail != nil {
			h.Hint = m.Subject + " " // never empty: a mail's code alone in its quoted text takes nothing
		}
		if err := d.hear(r.Context(), h); err != nil {
			refuse(w, http.StatusServiceUnavailable, "it could not be made durable; send it again")
			return
		}
	}
	for _, receipt := range in.Final() {
		if err := d.receipt(r.Context(), g.Name, receipt); err != nil {
			refuse(w, http.StatusServiceUnavailable, "it could not be made durable; send it again")
			return
		}
	}
	w.WriteHeader(http.StatusNoContent)
}

// receipt journals what a receipt says. One for a message that is not known is
// journaled nowhere: it may be of another program on the same account.
func (d *daemon) receipt(ctx context.Context, gateway string, r incoming.Receipt) error {
	outcome := correlate.Permanent
	if r.Delivered {
		outcome = correlate.Delivered
	}
	err := d.inbox(gateway).Receipt(ctx, r.ID, outcome, r.Words)
	if errors.Is(err, notify.ErrUnknownReceipt) {
		d.log.Warn().Str("gateway", gateway).Str("id", r.ID).Msg("a receipt for a message that is not known")
		return nil
	}
	return err
}

// gateway returns the configuration of a gateway, or nil.
func (d *daemon) gateway(name string) *configs.Gateway {
	cfg := d.current()
	for i := range cfg.Gateways {
		if cfg.Gateways[i].Name == name {
			return &cfg.Gateways[i]
		}
	}
	return nil
}

// refuse answers with a problem document (RFC 9457).
func refuse(w http.ResponseWriter, status int, detail string) {
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(status)
	// A gateway that went away sends it again.
	_ = json.NewEncoder(w).Encode(map[string]any{"type": "about:blank", "title": http.StatusText(status), "status": status, "detail": detail})
}
