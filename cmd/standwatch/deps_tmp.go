//go:build depstmp

package main

import (
	_ "cel.dev/cel-go/cel"
	_ "github.com/alexedwards/argon2id"
	_ "github.com/chromedp/chromedp"
	_ "github.com/coreos/go-systemd/v22/activation"
	_ "github.com/coreos/go-systemd/v22/daemon"
	_ "github.com/emersion/go-sasl"
	_ "github.com/emersion/go-smtp"
	_ "github.com/fxamacker/cbor/v2"
	_ "github.com/google/go-cmp/cmp"
	_ "github.com/gosnmp/gosnmp"
	_ "github.com/invopop/jsonschema"
	_ "github.com/klauspost/compress/zstd"
	_ "github.com/prometheus/client_golang/prometheus/promhttp"
	_ "github.com/prometheus/client_golang/prometheus/testutil"
	_ "github.com/prometheus/client_golang/prometheus/testutil/promlint"
	_ "github.com/rogpeppe/go-internal/testscript"
	_ "github.com/rs/zerolog"
	_ "github.com/santhosh-tekuri/jsonschema/v6"
	_ "github.com/spf13/cobra"
	_ "github.com/teambition/rrule-go"
	_ "github.com/wneessen/go-mail"
	_ "go.etcd.io/bbolt"
	_ "go.uber.org/goleak"
	_ "go.yaml.in/yaml/v4"
	_ "golang.org/x/net/ipv4"
	_ "golang.org/x/sys/unix"
	_ "golang.org/x/time/rate"
	_ "pgregory.net/rapid"
)
