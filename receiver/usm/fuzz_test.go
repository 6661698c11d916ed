package usm

import (
	"bytes"
	"testing"
)

// FuzzProcess gives USM headers that do not fit their message, as a decoder that
// errs might. Nothing may be accepted that was not signed, nothing changed.
func FuzzProcess(f *testing.F) {
	u := authPriv("u")
	good := message{user: u, engineID: senderID, level: AuthPriv, boots: 1, time: 1, salt: 1}.seal(f)
	f.Add(good.Datagram, good.Header.MAC, good.Header.Salt, good.Header.MACAt, len(good.Datagram)-len(good.Payload), uint8(3), uint32(1), uint32(1))
	f.Add([]byte{}, []byte{}, []byte{}, -1, 0, uint8(0), uint32(0), uint32(1<<31))
	f.Add([]byte("\x30\x00"), []byte{}, []byte{}, 0, 0, uint8(1), uint32(0), uint32(0))
	table := newTestTable(f, u)
	if err := table.Admit(start, senderID, []byte("u")); err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, datagram, mac, salt []byte, macAt, payloadAt int, level uint8, boots, seconds uint32) {
		if payloadAt < 0 || payloadAt > len(datagram) {
			payloadAt = len(datagram)
		}
		h := Header{Model: ModelUSM, Level: Level(level % 4), EngineID: senderID, User: []byte("u"), Boots: boots, Time: seconds, MAC: mac, MACAt: macAt, Salt: salt}
		before := bytes.Clone(datagram)
		res, v := table.Process(start, Incoming{Header: &h, Datagram: datagram, Payload: datagram[payloadAt:]})
		if v == Accepted && !bytes.Equal(datagram, good.Datagram) {
			t.Errorf("accepted %x as %v", datagram, res.Level)
		}
		if !bytes.Equal(before, datagram) {
			t.Error("the datagram was changed")
		}
	})
}
