package main

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.net/standwatch/cmd/standwatch/demo/wire"
	"example.net/standwatch/cmd/standwatch/demo/wire/wiretest"
)

// send runs the command with a line of arguments.
func send(t *testing.T, args ...string) (string, error) {
	t.Helper()
	var out bytes.Buffer
	cmd := newSendCommand()
	cmd.SilenceUsage, cmd.SilenceErrors = true, true
	cmd.SetOut(&out)
	cmd.SetErr(&out)
	cmd.SetArgs(args)
	err := cmd.ExecuteContext(t.Context())
	return out.String(), err
}

func TestSendTrap(t *testing.T) {
	m := wiretest.Listen(t, 0)
	t.Setenv("TRIAL_COMMUNITY", "kestrel-basin")
	for _, version := range []string{"v1", "v2c"} {
		out, err := send(t, "--target", m.Addr().String(), "--version", version, "--community", "env:TRIAL_COMMUNITY", "--from", "127.9.8.20",
			"--trap", "1.3.6.1.4.1.32473.10.0.1", "--varbind", "1.3.6.1.4.1.32473.10.2.1.1.7=int:7", "--varbind", "1.3.6.1.4.1.32473.10.2.1.3.7=text:Mains, all of it")
		if err != nil {
			t.Fatal(err)
		}
		if !strings.HasPrefix(out, "sent one "+version+" trap to 127.0.0.1:") {
			t.Errorf("said %q", out)
		}
		got := m.Next(t)
		want := "1.3.6.1.4.1.32473.10.2.1.1.7=7 1.3.6.1.4.1.32473.10.2.1.3.7=Mains, all of it"
		if got.TrapOID != "1.3.6.1.4.1.32473.10.0.1" || got.From.String() != "127.9.8.20" || strings.Join(got.Varbinds, " ") != want {
			t.Errorf("%s: arrived as %+v", version, got)
		}
	}
}

func TestSendInformWaitsForItsAnswer(t *testing.T) {
	m := wiretest.Listen(t, 1)
	out, err := send(t, "--target", m.Addr().String(), "--community", "c", "--inform", "--wait", "200ms", "--count", "3")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out, "3 answered, 0 not") {
		t.Errorf("said %q", out)
	}
}

func TestSendInformUnanswered(t *testing.T) {
	m := wiretest.Listen(t, 100)
	out, err := send(t, "--target", m.Addr().String(), "--community", "c", "--inform", "--wait", "10ms", "--tries", "2")
	if !errors.Is(err, wire.ErrUnanswered) || errors.Is(err, errUsage) {
		t.Errorf("got %v, want ErrUnanswered, which is exit code 1", err)
	}
	if !strings.Contains(out, "0 answered, 1 not") {
		t.Errorf("said %q", out)
	}
}

func TestSendLoad(t *testing.T) {
	m := wiretest.Listen(t, 0)
	out, err := send(t, "--target", m.Addr().String(), "--community", "c", "--count", "120", "--distinct", "50", "--rate", "2000")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(out, "sent 120 v2c traps to ") {
		t.Errorf("said %q", out)
	}
	seen := map[int32]bool{}
	for range 120 {
		seen[m.Next(t).Request] = true
	}
	if len(seen) != 50 {
		t.Errorf("%d different datagrams, want 50", len(seen))
	}
}

func TestSendLoadOfV3NeverRepeats(t *testing.T) {
	m := wiretest.Listen(t, 0)
	out, err := send(t, "--target", m.Addr().String(), "--version", "v3", "--user", "trial", "--auth", "sha256", "--auth-secret", "long enough",
		"--priv", "aes128", "--priv-secret", "long enough too", "--count", "20", "--distinct", "1")
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	for range 20 {
		if got := m.Next(t); got.User != "trial" || got.Boots == 0 {
			t.Errorf("arrived as %+v", got)
		}
	}
}

func TestSendWrongUse(t *testing.T) {
	file := filepath.Join(t.TempDir(), "community")
	if err := os.WriteFile(file, []byte("from-a-file\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if got, err := secret("--community", "file:"+file); err != nil || got != "from-a-file" {
		t.Errorf("from a file: %q, %v", got, err)
	}
	v3 := []string{"--target", "127.0.0.1:9", "--version", "v3"}
	for want, args := range map[string][]string{
		"--target is missing":                  {"--community", "c"},
		"--community is missing":               {"--target", "127.0.0.1:9"},
		"no such file":                         {"--target", "127.0.0.1:9", "--community", "file:" + file + "x"},
		"variable NO_SUCH_VARIABLE is not set": {"--target", "127.0.0.1:9", "--community", "env:NO_SUCH_VARIABLE"},
		"is not v1, v2c or v3":                 {"--target", "127.0.0.1:9", "--community", "c", "--version", "v2"},
		"SNMPv1 has no informs":                {"--target", "127.0.0.1:9", "--community", "c", "--version", "v1", "--inform"},
		"--count 0 is not from 1":              {"--target", "127.0.0.1:9", "--community", "c", "--count", "0"},
		"is not OID=type:value":                {"--target", "127.0.0.1:9", "--community", "c", "--varbind", "1.3.6.1"},
		"--trap: object identifier":            {"--target", "127.0.0.1:9", "--community", "c", "--trap", "coldStart"},
		"--user is missing":                    v3,
		"--priv needs --auth":                  append(v3[:4:4], "--user", "u", "--priv", "aes128", "--priv-secret", "long enough"),
		"at least 8 characters":                append(v3[:4:4], "--user", "u", "--auth", "sha256", "--auth-secret", "short"),
		`--engine "xyz" is not hexadecimal`:    append(v3[:4:4], "--user", "u", "--engine", "xyz"),
		"takes no argument":                    {"127.0.0.1:9"},
	} {
		if _, err := send(t, args...); !errors.Is(err, errUsage) || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want wrong use that says %q", args, err, want)
		}
	}
}

func TestSendStopsWhenTold(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	cmd := newSendCommand()
	cmd.SilenceUsage, cmd.SilenceErrors = true, true
	cmd.SetOut(&bytes.Buffer{})
	cmd.SetArgs([]string{"--target", "127.0.0.1:9", "--community", "c", "--inform", "--count", "1000", "--rate", "1"})
	if err := cmd.ExecuteContext(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v, want the context's error", err)
	}
}

// TestSendLoadTakesTurns: a load goes round its traps, and # counts the rounds.
func TestSendLoadTakesTurns(t *testing.T) {
	m := wiretest.Listen(t, 0)
	_, err := send(t, "--target", m.Addr().String(), "--community", "c", "--count", "6", "--rate", "2000",
		"--trap", "1.3.6.1.4.1.32473.20.0.1", "--trap", "1.3.6.1.4.1.32473.20.0.2", "--varbind", "1.3.6.1.4.1.32473.20.1.1=int:#")
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []string{".1 0", ".2 0", ".1 1", ".2 1", ".1 2", ".2 2"} {
		got := m.Next(t)
		_, number, _ := strings.Cut(strings.Join(got.Varbinds, " "), "=")
		if said := got.TrapOID[len(got.TrapOID)-2:] + " " + number; said != want {
			t.Errorf("datagram %d is %q, not %q", i, said, want)
		}
	}
}
