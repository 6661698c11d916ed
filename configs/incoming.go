package configs

import (
	"example.net/standwatch/notify/incoming"
)

// incomingShape describes what a gateway sends back.
type incomingShape struct {
	Here        place         `yaml:"-"`
	Secret      secret        `yaml:"secret" jsonschema_description:"Shared with the gateway, which sends it along; at least 16 characters."`
	Header      text          `yaml:"secret-header" jsonschema_description:"Header that has the secret; default Authorization, as Bearer."`
	Param       text          `yaml:"secret-parameter" jsonschema_description:"Query parameter that has the secret, in place of a header."`
	HMACSecret  secret        `yaml:"hmac-secret" jsonschema_description:"Key with which the gateway signs what it sends (HMAC-SHA-256)."`
	HMACHeader  text          `yaml:"hmac-header" jsonschema_description:"Header that has the signature, in hexadecimal or base64."`
	HMACPrefix  text          `yaml:"hmac-prefix" jsonschema_description:"What stands before the signature there, such as sha256=."`
	StampHeader text          `yaml:"time-header" jsonschema_description:"Header that has the time of signing in seconds since 1970; the signature is then over time, dot and body."`
	List        text          `yaml:"list" jsonschema_description:"Where a list of messages or receipts stands, such as results; left out, a request is one."`
	From        text          `yaml:"from" jsonschema_description:"Where the sender stands in an incoming message, such as message.from."`
	Text        text          `yaml:"text" jsonschema_description:"Where its text stands."`
	Subject     text          `yaml:"subject" jsonschema_description:"Where a mail's subject stands."`
	ID          text          `yaml:"id" jsonschema_description:"Where the gateway's own ID of it stands, so that one that comes twice is known."`
	Auto        text          `yaml:"auto-submitted" jsonschema_description:"Where a mail's header Auto-Submitted stands."`
	Receipt     *receiptShape `yaml:"receipt" jsonschema_description:"Where receipts stand."`
}

type receiptShape struct {
	Here        place      `yaml:"-"`
	ID          text       `yaml:"id" jsonschema_description:"Where the ID stands under which the gateway took the message; see id-path."`
	Status      text       `yaml:"status" jsonschema_description:"Where it stands what became of it."`
	Words       text       `yaml:"words" jsonschema_description:"Where further words stand."`
	Delivered   list[text] `yaml:"delivered" jsonschema_description:"Statuses that say that it arrived."`
	Undelivered list[text] `yaml:"undelivered" jsonschema_description:"Statuses that say that it never will."`
}

// incomingOf returns how to read what a gateway sends back, or nil.
func (c *compiler) incomingOf(s *incomingShape, isMail bool) *incoming.Options {
	if s == nil {
		return nil
	}
	o := &incoming.Options{Secret: s.Secret.V.Reveal(), SecretHeader: s.Header.V, SecretParam: s.Param.V, HMACKey: s.HMACSecret.V.Reveal(), HMACHeader: s.HMACHeader.V,
		HMACPrefix: s.HMACPrefix.V, StampHeader: s.StampHeader.V, List: s.List.V, From: s.From.V, Text: s.Text.V, Subject: s.Subject.V, ID: s.ID.V, Auto: s.Auto.V}
	if r := s.Receipt; r != nil {
		o.ReceiptID, o.Status, o.Words, o.Delivered, o.Undelivered = r.ID.V, r.Status.V, r.Words.V, values(r.Delivered), values(r.Undelivered)
	}
	if isMail && !s.From.Set && !s.Text.Set && s.Receipt == nil {
		// Mails come whole, as message/rfc822; the names serve JSON all the same.
		o.From, o.Text = "from", "text"
	}
	if s.HMACSecret.Set && !s.StampHeader.Set {
		c.out.finding(s.HMACSecret.At, "a signed request that somebody overhears can be sent again, for its signature has no time in it",
			"if the gateway signs the time too, name its header as time-header:; else let only the gateway's addresses reach the console's /in/")
	}
	if _, err := incoming.New(*o); err != nil && !failed(s.Secret) && !failed(s.HMACSecret) {
		c.out.mistake(s.Here, err.Error(), "see the page answers of the handbook")
	}
	return o
}
