// Package tty opens the line to a device: a serial port of this machine, or
// the same by TCP where a terminal server has the port.
//
// Guarantee: what is opened reads and writes octets as they are, in both
// directions at once, until it is closed; Close ends a Read that waits. The
// caller owns it. It starts no goroutine.
//
// Over TCP the octets go bare: the settings of the far port are the terminal
// server's business (RFC 2217 is not spoken).
package tty

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"

	"go.bug.st/serial"
)

// DefaultBaud is the speed of a line that says nothing else.
const DefaultBaud = 115200

// Options describe a line.
type Options struct {
	Device    string // "/dev/ttyUSB0", or "tcp:host:port"
	Baud      int    // bits a second; 0 means DefaultBaud
	SevenEven bool   // seven bits and even parity, in place of eight and none
}

// Check returns what is wrong with the options.
func (o Options) Check() error {
	if at, tcp := strings.CutPrefix(o.Device, "tcp:"); tcp {
		if _, _, err := net.SplitHostPort(at); err != nil {
			return fmt.Errorf("device %s: write tcp:host:port", o.Device)
		}
		return nil
	}
	switch {
	case !strings.HasPrefix(o.Device, "/dev/"):
		return errors.New("a line needs a device such as /dev/ttyUSB0, or tcp:host:port")
	case o.Baud < 0 || o.Baud > 4_000_000:
		return errors.New("baud is out of range")
	}
	return nil
}

// Open opens the line.
func Open(ctx context.Context, o Options) (io.ReadWriteCloser, error) {
	if at, tcp := strings.CutPrefix(o.Device, "tcp:"); tcp {
		return (&net.Dialer{}).DialContext(ctx, "tcp", at)
	}
	mode := &serial.Mode{BaudRate: o.Baud, DataBits: 8}
	if o.Baud == 0 {
		mode.BaudRate = DefaultBaud
	}
	if o.SevenEven {
		mode.DataBits, mode.Parity = 7, serial.EvenParity
	}
	port, err := serial.Open(o.Device, mode)
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", o.Device, err)
	}
	return port, nil
}
