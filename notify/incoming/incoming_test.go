package incoming

import (
	"encoding/base64"
	"encoding/hex"
	"errors"
	"net/http/httptest"
	"reflect"
	"strings"
	"testing"
	"time"
)

const (
	secret = "a secret of some length"
	key    = "another key for signing"
)

var now = time.Unix(1_768_000_000, 0)

func reader(t testing.TB, change func(*Options)) *Reader {
	t.Helper()
	o := Options{Secret: secret, From: "message.from", Text: "message.text", ID: "message.id", ReceiptID: "receipt.id", Status: "receipt.status",
		Words: "receipt.why", Delivered: []string{"delivered"}, Undelivered: []string{"rejected", "7"}}
	if change != nil {
		change(&o)
	}
	r, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// read posts a body with headers given as "Name: value".
func read(rd *Reader, target, body string, headers ...string) (Incoming, error) {
	r := httptest.NewRequest("POST", target, nil)
	for _, h := range headers {
		name, value, _ := strings.Cut(h, ": ")
		r.Header.Set(name, value)
	}
	return rd.Read(r, []byte(body), now)
}

const asJSON, bearer = "Content-Type: application/json", "Authorization: Bearer " + secret

func TestMessagesAndReceipts(t *testing.T) {
	rd := reader(t, nil)
	for body, want := range map[string]Incoming{
		`{"message":{"from":"+12025550101","text":"K7M3P","id":42}}`: {Messages: []Message{{From: "+12025550101", Text: "K7M3P", ID: "42"}}},
		`{"receipt":{"id":"g1","status":"delivered"}}`:               {Receipts: []Receipt{{ID: "g1", Delivered: true, Words: "delivered"}}},
		`{"receipt":{"id":"g1","status":7,"why":"no such number"}}`:  {Receipts: []Receipt{{ID: "g1", Words: "7 no such number"}}},
		`{"receipt":{"id":"g1","status":"under way"}}`:               {},
	} {
		in, err := read(rd, "/in/sms", body, asJSON, bearer)
		in.Receipts = in.Final()
		if len(in.Receipts) == 0 {
			in.Receipts = nil
		}
		if err != nil || !reflect.DeepEqual(in, want) {
			t.Errorf("%s: got %+v %v", body, in, err)
		}
	}
	for _, body := range []string{"", "{", "[]", "7", `{"other":1}`, `{"message":"x"}`} {
		if _, err := read(rd, "/in/sms", body, asJSON, bearer); !errors.Is(err, ErrFormat) {
			t.Errorf("%q: got %v", body, err)
		}
	}
	if _, err := read(rd, "/in/sms", "x", "Content-Type: text/plain", bearer); !errors.Is(err, ErrFormat) {
		t.Errorf("another type: got %v", err)
	}
}

func TestForms(t *testing.T) {
	rd := reader(t, func(o *Options) { o.From, o.Text, o.ID, o.SecretParam = "sender", "content", "", "key" })
	in, err := read(rd, "/in/sms?key=a+secret+of+some+length", "sender=%2B12025550101&content=ok+K7M3P", "Content-Type: application/x-www-form-urlencoded")
	if err != nil || len(in.Messages) != 1 || in.Messages[0] != (Message{From: "+12025550101", Text: "ok K7M3P"}) {
		t.Errorf("got %+v %v", in, err)
	}
	r := httptest.NewRequest("GET", "/in/sms?key=a+secret+of+some+length&sender=12025550101&content=K7M3P", nil)
	if in, err := rd.Read(r, nil, now); err != nil || len(in.Messages) != 1 || in.Messages[0].From != "12025550101" {
		t.Errorf("by query: got %+v %v", in, err)
	}
}

func TestList(t *testing.T) {
	rd := reader(t, func(o *Options) { o.List, o.From, o.Text = "all", "from", "text" })
	in, err := read(rd, "/in/sms", `{"all":[{"from":"1","text":"a"},{"from":"2","text":"b"}]}`, asJSON, bearer)
	if err != nil || len(in.Messages) != 2 || in.Messages[1].Text != "b" {
		t.Errorf("got %+v %v", in, err)
	}
	if _, err := read(rd, "/in/sms", `{"all":{}}`, asJSON, bearer); !errors.Is(err, ErrFormat) {
		t.Errorf("no list: got %v", err)
	}
	if _, err := read(rd, "/in/sms", `{"all":[`+strings.Repeat("1,", MaxItems)+`1]}`, asJSON, bearer); !errors.Is(err, ErrFormat) {
		t.Errorf("too many: got %v", err)
	}
}

func TestProof(t *testing.T) {
	const body = `{"message":{"from":"1","text":"K7M3P"}}`
	rd := reader(t, nil)
	for _, h := range []string{"X: y", "Authorization: Bearer ", "Authorization: Bearer " + secret + "x", "Authorization: Bearer " + secret[1:]} {
		if _, err := read(rd, "/in/sms", body, asJSON, h); !errors.Is(err, ErrProof) {
			t.Errorf("%q: got %v", h, err)
		}
	}
	rd = reader(t, func(o *Options) { o.Secret, o.HMACKey, o.HMACHeader, o.HMACPrefix = "", key, "X-Sign", "sha256=" })
	good := hex.EncodeToString(sum(key, []byte(body)))
	if _, err := read(rd, "/in/sms", body, asJSON, "X-Sign: sha256="+good); err != nil {
		t.Error(err)
	}
	if _, err := read(rd, "/in/sms", body, asJSON, "X-Sign: sha256="+base64.StdEncoding.EncodeToString(sum(key, []byte(body)))); err != nil {
		t.Errorf("base64: %v", err)
	}
	for _, h := range []string{"X: y", "X-Sign: " + good, "X-Sign: sha256=", "X-Sign: sha256=" + good[2:], "X-Sign: sha256=%%%"} {
		if _, err := read(rd, "/in/sms", body, asJSON, h); !errors.Is(err, ErrProof) {
			t.Errorf("%q: got %v", h, err)
		}
	}
	if _, err := read(rd, "/in/sms", body+" ", asJSON, "X-Sign: sha256="+good); !errors.Is(err, ErrProof) {
		t.Errorf("another body: got %v", err)
	}
}

func TestStamp(t *testing.T) {
	const body = `{"message":{"from":"1","text":"K7M3P"}}`
	rd := reader(t, func(o *Options) { o.Secret, o.HMACKey, o.HMACHeader, o.StampHeader = "", key, "X-Sign", "X-Time" })
	for stamp, want := range map[string]error{"1768000000": nil, "1767999701": nil, "1768000299": nil, "1767999699": ErrStale, "1768000301": ErrStale, "soon": ErrStale, "": ErrStale} {
		_, err := read(rd, "/in/sms", body, asJSON, "X-Time: "+stamp, "X-Sign: "+hex.EncodeToString(sum(key, []byte(stamp+"."+body))))
		if !errors.Is(err, want) {
			t.Errorf("%q: got %v, want %v", stamp, err, want)
		}
	}
	if _, err := read(rd, "/in/sms", body, asJSON, "X-Time: 1768000001", "X-Sign: "+hex.EncodeToString(sum(key, []byte("1768000000."+body)))); !errors.Is(err, ErrProof) {
		t.Errorf("another stamp: got %v", err)
	}
}

func TestNewRefuses(t *testing.T) {
	for name, o := range map[string]Options{
		"no proof":      {From: "f", Text: "t"},
		"short":         {Secret: "short", From: "f", Text: "t"},
		"no header":     {HMACKey: key, From: "f", Text: "t"},
		"stamp alone":   {Secret: secret, StampHeader: "X", From: "f", Text: "t"},
		"two places":    {Secret: secret, SecretHeader: "X", SecretParam: "x", From: "f", Text: "t"},
		"from alone":    {Secret: secret, From: "f"},
		"nothing":       {Secret: secret},
		"receipt alone": {Secret: secret, ReceiptID: "r"},
		"no values":     {Secret: secret, ReceiptID: "r", Status: "s"},
	} {
		if _, err := New(o); err == nil {
			t.Errorf("%s is accepted", name)
		}
	}
}

func TestMail(t *testing.T) {
	rd := reader(t, nil)
	const rfc822 = "Content-Type: message/rfc822"
	mail := func(headers, body string) string {
		return "From: North crew <north@example.net>\r\nSubject: =?utf-8?q?Re:_CRITICAL_Harrow_Knoll_=5BK7M3P=5D?=\r\nMessage-ID: <1@example.net>\r\n" + headers + "\r\n" + body
	}
	for name, octets := range map[string]string{
		"plain":            mail("", "ok K7M3P\r\n"),
		"quoted-printable": mail("Content-Type: text/plain; charset=utf-8\r\nContent-Transfer-Encoding: quoted-printable\r\n", "ok K7=\r\nM3P\r\n"),
		"base64":           mail("Content-Type: text/plain\r\nContent-Transfer-Encoding: base64\r\n", "b2sgSzdNM1AK\r\n"),
		"nested": mail("Content-Type: multipart/mixed; boundary=a\r\n", "--a\r\nContent-Type: multipart/alternative; boundary=b\r\n\r\n--b\r\nContent-Type: text/html\r\n\r\n<p>no\r\n"+
			"--b\r\n\r\nok K7M3P\r\n--b--\r\n--a--\r\n"),
	} {
		in, err := read(rd, "/in/mail", octets, rfc822, bearer)
		if err != nil || len(in.Messages) != 1 {
			t.Errorf("%s: got %+v %v", name, in, err)
			continue
		}
		m := in.Messages[0]
		if m.From != "north@example.net" || strings.TrimSpace(m.Text) != "ok K7M3P" || m.Subject != "Re: CRITICAL Harrow Knoll [K7M3P]" || m.ID != "1@example.net" || m.Auto {
			t.Errorf("%s: got %+v", name, m)
		}
	}
	for _, h := range []string{"Auto-Submitted: auto-replied\r\n", "Precedence: bulk\r\n", "Return-Path: <>\r\n"} {
		if in, err := read(rd, "/in/mail", mail(h, "ok\r\n"), rfc822, bearer); err != nil || !in.Messages[0].Auto {
			t.Errorf("%q: got %+v %v", h, in, err)
		}
	}
	for name, octets := range map[string]string{"nobody": "Subject: x\r\n\r\nok", "no text": mail("Content-Type: text/html\r\n", "<p>"), "empty": "", "broken": mail("Content-Type: multipart/mixed\r\n", "--")} {
		if _, err := read(rd, "/in/mail", octets, rfc822, bearer); !errors.Is(err, ErrFormat) {
			t.Errorf("%s: got %v", name, err)
		}
	}
}

// FuzzRead: whatever comes with the right secret either is read or is refused,
// and never takes the reader down.
func FuzzRead(f *testing.F) {
	rd := reader(f, func(o *Options) { o.List = "all" })
	f.Add("application/json", []byte(`{"all":[{"message":{"from":"1","text":"K7M3P"}}]}`))
	f.Add("application/x-www-form-urlencoded", []byte("message.from=1&message.text=x"))
	f.Add("message/rfc822", []byte("From: a@example.net\r\nContent-Type: multipart/mixed; boundary=a\r\n\r\n--a\r\n\r\nok\r\n--a--\r\n"))
	f.Fuzz(func(t *testing.T, media string, body []byte) {
		r := httptest.NewRequest("POST", "/in/x", nil)
		r.Header.Set("Content-Type", media)
		r.Header.Set("Authorization", "Bearer "+secret)
		in, err := rd.Read(r, body, now)
		if err != nil && !errors.Is(err, ErrFormat) {
			t.Errorf("got %v", err)
		}
		if len(in.Messages)+len(in.Receipts) > MaxItems {
			t.Errorf("%d items", len(in.Messages)+len(in.Receipts))
		}
	})
}
