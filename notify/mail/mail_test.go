package mail_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"math/big"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net"
	netmail "net/mail"
	"strings"
	"sync"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
	"example.net/standwatch/notify/mail"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
)

// server is a mail server that keeps what it takes.
type server struct {
	user, password string
	refuse         error         // the answer to RCPT
	hang           chan struct{} // the end of data waits for it; nil does not

	left chan struct{} // told of each session's end; nil is not

	mu    sync.Mutex // guards mails
	mails []received
}

type received struct {
	from, to, data string
	tls            bool
}

func (s *server) NewSession(c *smtp.Conn) (smtp.Session, error) {
	_, secure := c.TLSConnectionState()
	return &session{s: s, in: s.user == "", got: received{tls: secure}}, nil
}

type session struct {
	s   *server
	in  bool
	got received
}

func (s *session) AuthMechanisms() []string {
	if s.s.user == "" {
		return nil
	}
	return []string{sasl.Plain}
}

func (s *session) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		if user != s.s.user || password != s.s.password {
			return &smtp.SMTPError{Code: 535, EnhancedCode: smtp.EnhancedCode{5, 7, 8}, Message: "wrong credentials"}
		}
		s.in = true
		return nil
	}), nil
}

func (s *session) Mail(from string, _ *smtp.MailOptions) error {
	if !s.in {
		return smtp.ErrAuthRequired
	}
	s.got.from = from
	return nil
}

func (s *session) Rcpt(to string, _ *smtp.RcptOptions) error {
	s.got.to = to
	return s.s.refuse
}

func (s *session) Data(r io.Reader) error {
	data, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	s.got.data = string(data)
	s.s.mu.Lock()
	s.s.mails = append(s.s.mails, s.got)
	s.s.mu.Unlock()
	if s.s.hang != nil {
		<-s.s.hang
	}
	return nil
}

func (s *session) Reset() {}

func (s *session) Logout() error {
	if s.s.left != nil {
		s.s.left <- struct{}{}
	}
	return nil
}

// start serves on loopback and returns the port. With a config, implicit says
// whether TLS comes first or by STARTTLS.
func start(t *testing.T, s *server, config *tls.Config, implicit bool) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	port := l.Addr().(*net.TCPAddr).Port
	if implicit {
		l = tls.NewListener(l, config)
	}
	srv := smtp.NewServer(s)
	srv.Domain, srv.TLSConfig, srv.AllowInsecureAuth = "mx.example.net", config, config == nil
	srv.ErrorLog = quiet{}
	if implicit {
		srv.TLSConfig = nil
	}
	done := make(chan error, 1)
	go func() { done <- srv.Serve(l) }()
	t.Cleanup(func() {
		if err := srv.Close(); err != nil {
			t.Error(err)
		}
		if err := <-done; err != nil && !errors.Is(err, smtp.ErrServerClosed) {
			t.Error(err)
		}
	})
	return port
}

// quiet takes the server's complaints about clients that leave.
type quiet struct{}

func (quiet) Printf(string, ...any) {}
func (quiet) Println(...any)        {}

// certificate returns a server configuration for 127.0.0.1 and the pool that
// trusts it.
func certificate(t *testing.T) (*tls.Config, *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(cert)
	return &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}, pool
}

var message = correlate.Message{ID: "m17-0", CallOut: "c17", Key: correlate.Key{Site: "harrow-knoll", Point: "mains"}, Address: "north@example.net",
	Subject: "CRITICAL Härrow Knoll: Mains failed [K7M3P]", Body: "CRITICAL at Härrow Knoll: Mains failed\n\n.\nValue < 46 V\n",
	Queued: time.Date(2026, 1, 10, 9, 14, 5, 0, time.UTC)}

func send(t *testing.T, o mail.Options) notify.Result {
	t.Helper()
	o.Host, o.From, o.Name = "127.0.0.1", "watch@example.net", "Standwatch"
	if o.Timeout == 0 {
		o.Timeout = 5 * time.Second
	}
	c, err := mail.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return c.Send(t.Context(), message)
}

func TestSend(t *testing.T) {
	config, roots := certificate(t)
	for name, c := range map[string]struct {
		o      mail.Options
		tls    *tls.Config
		secure bool
	}{
		"in the clear":            {mail.Options{TLS: mail.None}, nil, false},
		"starttls":                {mail.Options{RootCAs: roots}, config, true},
		"starttls and password":   {mail.Options{RootCAs: roots, Username: "watch", Password: "pw"}, config, true},
		"implicit and password":   {mail.Options{TLS: mail.Implicit, RootCAs: roots, Username: "watch", Password: "pw"}, config, true},
		"implicit, no password":   {mail.Options{TLS: mail.Implicit, RootCAs: roots}, config, true},
		"starttls not used there": {mail.Options{TLS: mail.None}, config, false},
	} {
		t.Run(name, func(t *testing.T) {
			s := &server{user: c.o.Username, password: c.o.Password}
			c.o.Port = start(t, s, c.tls, c.o.TLS == mail.Implicit)
			got := send(t, c.o)
			if got.Outcome != correlate.Accepted || got.Answer == "" {
				t.Fatalf("got %+v", got)
			}
			if len(s.mails) != 1 || s.mails[0].from != "watch@example.net" || s.mails[0].to != "north@example.net" {
				t.Fatalf("got %+v", s.mails)
			}
			if c.o.TLS != mail.Implicit && s.mails[0].tls != c.secure {
				t.Errorf("secure: %v, want %v", s.mails[0].tls, c.secure)
			}
		})
	}
}

// TestMail checks what arrives: RFC 3834 section 5 (Auto-Submitted), RFC 5322
// sections 3.6.1 and 3.6.4, and a text that needs dot stuffing and encoding.
func TestMail(t *testing.T) {
	s := &server{}
	o := mail.Options{TLS: mail.None, Port: start(t, s, nil, false)}
	first, second := send(t, o), send(t, o)
	if first.GatewayID == "" || first.GatewayID != second.GatewayID {
		t.Errorf("message IDs of two attempts: %q and %q", first.GatewayID, second.GatewayID)
	}
	got, err := netmail.ReadMessage(strings.NewReader(s.mails[0].data))
	if err != nil {
		t.Fatal(err)
	}
	subject, err := new(mime.WordDecoder).DecodeHeader(got.Header.Get("Subject"))
	if err != nil || subject != message.Subject {
		t.Errorf("subject: %q %v", subject, err)
	}
	for header, want := range map[string]string{
		"Auto-Submitted": "auto-generated", "Message-Id": "<m17-0.18894e0166af1a00@example.net>", "Date": "Sat, 10 Jan 2026 09:14:05 +0000",
		"From": `"Standwatch" <watch@example.net>`, "To": "<north@example.net>", "User-Agent": "", "X-Mailer": "",
	} {
		if header == "Message-Id" {
			want = first.GatewayID
			if !strings.HasPrefix(want, "<m17-0.") || !strings.HasSuffix(want, "@example.net>") {
				t.Errorf("message ID %q", want)
			}
		}
		if got := got.Header.Get(header); got != want {
			t.Errorf("%s: %q, want %q", header, got, want)
		}
	}
	if refs := got.Header.Get("References"); !strings.HasPrefix(refs, "<alarm.") || refs != got.Header.Get("In-Reply-To") {
		t.Errorf("references: %q", refs)
	}
	_, params, err := mime.ParseMediaType(got.Header.Get("Content-Type"))
	if err != nil {
		t.Fatal(err)
	}
	parts := multipart.NewReader(got.Body, params["boundary"])
	plain := part(t, parts, "text/plain")
	if plain != message.Body {
		t.Errorf("got %q, want %q", plain, message.Body)
	}
	if html := part(t, parts, "text/html"); !strings.Contains(html, "Value &lt; 46 V") {
		t.Errorf("got %q", html)
	}
}

func part(t *testing.T, r *multipart.Reader, want string) string {
	t.Helper()
	p, err := r.NextRawPart()
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(p.Header.Get("Content-Type"), want) {
		t.Fatalf("part is %s, want %s", p.Header.Get("Content-Type"), want)
	}
	body, err := io.ReadAll(quotedprintable.NewReader(p))
	if err != nil {
		t.Fatal(err)
	}
	return strings.ReplaceAll(string(body), "\r\n", "\n")
}

func TestRefused(t *testing.T) {
	config, roots := certificate(t)
	for name, c := range map[string]struct {
		s      *server
		o      mail.Options
		tls    *tls.Config
		want   correlate.Outcome
		answer string
	}{
		"mailbox gone": {&server{refuse: &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "no such mailbox"}},
			mail.Options{TLS: mail.None}, nil, correlate.Permanent, "no such mailbox"},
		"mailbox busy": {&server{refuse: &smtp.SMTPError{Code: 450, EnhancedCode: smtp.EnhancedCode{4, 2, 0}, Message: "busy"}},
			mail.Options{TLS: mail.None}, nil, correlate.Temporary, "busy"},
		"wrong password":     {&server{user: "watch", password: "other"}, mail.Options{RootCAs: roots, Username: "watch", Password: "pw"}, config, correlate.Permanent, "wrong credentials"},
		"password wanted":    {&server{user: "watch", password: "other"}, mail.Options{RootCAs: roots}, config, correlate.Permanent, "authenticate"},
		"no starttls there":  {&server{}, mail.Options{}, nil, correlate.Temporary, "STARTTLS"},
		"unknown issuer":     {&server{}, mail.Options{}, config, correlate.Temporary, "certificate"},
		"the wrong protocol": {&server{}, mail.Options{TLS: mail.Implicit, RootCAs: roots}, nil, correlate.Temporary, "TLS"},
	} {
		t.Run(name, func(t *testing.T) {
			c.s.left = make(chan struct{}, 4)
			c.o.Port = start(t, c.s, c.tls, false)
			got := send(t, c.o)
			// Every attempt hangs up: otherwise each would leave a connection.
			// Without an EHLO the server has no session that could end.
			if c.o.TLS != mail.Implicit {
				select {
				case <-c.s.left:
				case <-time.After(5 * time.Second):
					t.Error("the connection was left open")
				}
			}
			if got.Outcome != c.want || !strings.Contains(strings.ToLower(got.Answer), strings.ToLower(c.answer)) {
				t.Errorf("got %+v, want %s with %q", got, c.want, c.answer)
			}
			if strings.Contains(got.Answer, "pw") {
				t.Errorf("the password is in the answer: %s", got.Answer)
			}
			if len(c.s.mails) != 0 {
				t.Errorf("it was taken all the same")
			}
		})
	}
}

// TestTakenWithoutAnAnswer: the server has the mail and does not say so. That
// is no acceptance; a second attempt carries the same Message-ID.
func TestTakenWithoutAnAnswer(t *testing.T) {
	s := &server{hang: make(chan struct{})}
	port := start(t, s, nil, false)
	// A client without a limit of its own would wait for ever.
	got := send(t, mail.Options{TLS: mail.None, Port: port, Timeout: 300 * time.Millisecond})
	close(s.hang)
	if got.Outcome != correlate.Temporary || !strings.Contains(got.Answer, "it may have been taken") {
		t.Errorf("got %+v", got)
	}
}

// TestNobodyThere: refused, silent, and cut off in the greeting.
func TestNobodyThere(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	port := l.Addr().(*net.TCPAddr).Port
	accepted := make(chan net.Conn, 2)
	go func() {
		defer close(accepted)
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			accepted <- conn
		}
	}()
	got := send(t, mail.Options{TLS: mail.None, Port: port, Timeout: 200 * time.Millisecond})
	if got.Outcome != correlate.Temporary {
		t.Errorf("silent: got %+v", got)
	}
	silent := <-accepted
	if err := silent.SetReadDeadline(time.Now().Add(5 * time.Second)); err != nil {
		t.Fatal(err)
	}
	// The channel must have hung up: otherwise every attempt leaves one open.
	if _, err := io.Copy(io.Discard, silent); err != nil {
		t.Errorf("the connection was left open: %v", err)
	}
	silent.Close()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	for range accepted {
	}
	if got := send(t, mail.Options{TLS: mail.None, Port: port}); got.Outcome != correlate.Temporary || !strings.Contains(got.Answer, "refused") {
		t.Errorf("refused: got %+v", got)
	}
}

func TestCancelled(t *testing.T) {
	s := &server{hang: make(chan struct{})}
	c, err := mail.New(mail.Options{Host: "127.0.0.1", Port: start(t, s, nil, false), TLS: mail.None, From: "watch@example.net"})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	got := c.Send(ctx, message) // for ever, if it did not heed the context
	close(s.hang)
	if got.Outcome != correlate.Temporary {
		t.Errorf("got %+v", got)
	}
}

func TestNewRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		o    mail.Options
		want string
	}{
		"host":     {mail.Options{From: "watch@example.net"}, "a mail server needs a host"},
		"from":     {mail.Options{Host: "mx.example.net", From: "watch"}, "from is not a plain mail address"},
		"tls":      {mail.Options{Host: "mx.example.net", From: "watch@example.net", TLS: "ssl"}, "tls is none of starttls, implicit and none"},
		"in clear": {mail.Options{Host: "mx.example.net", From: "watch@example.net", TLS: mail.None, Username: "u", Password: "p"}, "credentials are not sent without TLS"},
		"half":     {mail.Options{Host: "mx.example.net", From: "watch@example.net", Username: "u"}, "a user name and a password belong together"},
	} {
		if _, err := mail.New(c.o); err == nil || err.Error() != c.want {
			t.Errorf("%s: got %v, want %s", name, err, c.want)
		}
	}
}
