package incoming

import (
	"bytes"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net/mail"
	"strings"
	"unicode/utf8"
)

// maxDepth bounds how deep parts of a mail may be nested; readers seldom write
// more than three.
const maxDepth = 5

// readMail reads a whole mail: its sender, its subject, and its first text.
func readMail(octets []byte) (Message, error) {
	m, err := mail.ReadMessage(bytes.NewReader(octets))
	if err != nil {
		return Message{}, fmt.Errorf("read the mail: %w", err)
	}
	from, err := mail.ParseAddress(m.Header.Get("From"))
	if err != nil {
		return Message{}, fmt.Errorf("read the sender: %w", err)
	}
	text, err := firstText(m.Header, m.Body, 0)
	if err != nil {
		return Message{}, err
	}
	return Message{From: from.Address, Text: text, Subject: decoded(m.Header.Get("Subject")), ID: strings.Trim(m.Header.Get("Message-Id"), "<> "), Auto: automatic(m.Header)}, nil
}

// automatic reports whether a machine wrote the mail (RFC 3834 section 5), or
// it came as one of many.
func automatic(h mail.Header) bool {
	auto, _, _ := strings.Cut(h.Get("Auto-Submitted"), ";")
	auto = strings.TrimSpace(auto)
	precedence := strings.ToLower(h.Get("Precedence"))
	return (auto != "" && !strings.EqualFold(auto, "no")) || precedence == "bulk" || precedence == "list" || precedence == "junk" || h.Get("Return-Path") == "<>"
}

// header is that of a mail or of one of its parts.
type header interface{ Get(name string) string }

// firstText returns the first part that is plain text.
func firstText(h header, body io.Reader, depth int) (string, error) {
	media, params, err := mime.ParseMediaType(h.Get("Content-Type"))
	if err != nil {
		media = "text/plain" // RFC 2045 section 5.2
	}
	switch {
	case media == "text/plain":
		raw, err := io.ReadAll(transfer(h.Get("Content-Transfer-Encoding"), body))
		if err != nil {
			return "", fmt.Errorf("read the text: %w", err)
		}
		return inUTF8(raw), nil
	case !strings.HasPrefix(media, "multipart/") || depth >= maxDepth:
		return "", errors.New("the mail has no plain text")
	}
	for parts := multipart.NewReader(body, params["boundary"]); ; {
		part, err := parts.NextRawPart()
		if err != nil {
			return "", errors.New("the mail has no plain text")
		}
		if text, err := firstText(part.Header, part, depth+1); err == nil {
			return text, nil
		}
	}
}

func transfer(encoding string, body io.Reader) io.Reader {
	switch strings.ToLower(strings.TrimSpace(encoding)) {
	case "quoted-printable":
		return quotedprintable.NewReader(body)
	case "base64":
		return base64.NewDecoder(base64.StdEncoding, body)
	}
	return body
}

// inUTF8 reads octets of another character set as ISO 8859-1. Codes and words
// that count are of ASCII, which all of them share.
func inUTF8(raw []byte) string {
	if utf8.Valid(raw) {
		return string(raw)
	}
	runes := make([]rune, len(raw))
	for i, b := range raw {
		runes[i] = rune(b)
	}
	return string(runes)
}

// decoded reads encoded words (RFC 2047); what cannot be read stays.
func decoded(text string) string {
	if plain, err := new(mime.WordDecoder).DecodeHeader(text); err == nil {
		return plain
	}
	return text
}

// address returns the bare address of "Name <address>"; a telephone number is
// none and stays.
func address(from string) string {
	if !strings.Contains(from, "@") {
		return from
	}
	if a, err := mail.ParseAddress(from); err == nil {
		return a.Address
	}
	return from
}
