package notify

import (
	"errors"
	"regexp"
	"strings"
	"unicode"
)

// ErrUnknownReceipt says that no message is known to have a gateway's ID; see
// [Inbox].
var ErrUnknownReceipt = errors.New("no message has that ID")

// Kind is what sort of gateway carries a message.
type Kind string

// The kinds of gateway. A mail gateway gets a subject and the whole story; any
// other gets one short text.
const (
	KindMail    Kind = "mail"
	KindSMSHTTP Kind = "sms-http"
	KindSMPP    Kind = "smpp"
	KindModem   Kind = "modem"
	KindSNPP    Kind = "snpp"
	KindTAP     Kind = "tap"
	KindHook    Kind = "hook"
)

// Kinds lists the kinds of gateway.
func Kinds() []Kind {
	return []Kind{KindMail, KindSMSHTTP, KindSMPP, KindModem, KindSNPP, KindTAP, KindHook}
}

func kindWords() string {
	var words []string
	for _, k := range Kinds() {
		words = append(words, string(k))
	}
	return strings.Join(words, ", ")
}

// carries says how people are addressed over a kind of gateway.
func (k Kind) carries() addressing {
	switch k {
	case KindMail:
		return mailAddress
	case KindSNPP, KindTAP:
		return pagerID
	case KindHook:
		return ownName
	}
	return telephone
}

// Hears reports whether answers come in over every gateway of a kind, without
// further configuration.
func (k Kind) Hears() bool { return k == KindSMPP || k == KindModem }

type addressing uint8

const (
	telephone   addressing = 1
	mailAddress addressing = 2
	pagerID     addressing = 3
	ownName     addressing = 4 // whatever the other end understands
)

// pager is what can be the ID of a pager in any of the paging protocols: it
// has no blank, which would end it (judgement; the standards leave it to the
// carrier).
var pager = regexp.MustCompile(`^[A-Za-z0-9._-]{1,32}$`)

// plain reports whether a text can be one line of anything.
func plain(s string) bool {
	return s != "" && len(s) <= 254 && !strings.ContainsFunc(s, unicode.IsControl)
}
