package main

import (
	"context"
	"time"

	"example.net/standwatch/configs"
)

// certificateWarns is how long before its end a certificate stands as a fault:
// time to get another one. Own choice.
const certificateWarns = 21 * 24 * time.Hour

// certificate notes that the console's certificate ends soon, or that the files
// on disk cannot be served.
func (w *selfWatch) certificate(ctx context.Context) {
	if w.d.door.certificate == nil {
		return
	}
	now := w.d.opts.Now()
	leaf, trouble := w.d.door.certificate.State(now)
	until := leaf.NotAfter.In(w.d.current().Centre.Zone).Format("2 January 2006, 15:04 MST")
	switch {
	case trouble != "":
		w.say(ctx, configs.SelfCertificate, "", true, "The certificate on disk cannot be served, the one before is, which ends on "+until+": "+trouble)
	case now.After(leaf.NotAfter):
		w.say(ctx, configs.SelfCertificate, "", true, "The certificate of the console ended on "+until)
	default:
		w.say(ctx, configs.SelfCertificate, "", leaf.NotAfter.Sub(now) < certificateWarns, "The certificate of the console ends on "+until)
	}
}
