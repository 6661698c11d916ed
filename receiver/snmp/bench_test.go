package snmp

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/sha512"
	"crypto/subtle"
	"hash"
	"testing"

	"github.com/gosnmp/gosnmp"

	"example.net/standwatch/receiver/usm"
)

// BenchmarkDecode compares, in one run, this package with the library and, for
// v3, with the bare HMAC and AES of the same octets: once as the standard library
// has them (crypto/hmac and the CFB of crypto/cipher), once with the CFB of package
// usm, which takes half the time. Run it with
//
//	go test -run '^$' -bench Decode -count 10 ./receiver/snmp | benchstat -col /by -
func BenchmarkDecode(b *testing.B) {
	community := map[string][]byte{
		"version=1":  mustAppend(b, Build{Version: V1, Community: "public", TrapOID: anyTrap, Varbinds: eight()}),
		"version=2c": mustAppend(b, v2c(eight()...)),
	}
	for _, name := range []string{"version=1", "version=2c"} {
		datagram := community[name]
		b.Run(name+"/by=standwatch", func(b *testing.B) { benchCommunity(b, datagram) })
		b.Run(name+"/by=gosnmp", func(b *testing.B) { benchOracle(b, datagram, &gosnmp.GoSNMP{Version: gosnmp.Version2c}) })
	}
	for _, u := range []usm.User{
		{Name: "remote", Auth: usm.SHA256, Priv: usm.AES128, AuthPass: syrup, PrivPass: syrup},
		{Name: "remote", Auth: usm.SHA512, Priv: usm.AES256, AuthPass: syrup, PrivPass: syrup},
	} {
		name := "version=3/auth=" + u.Auth.String() + "/priv=" + u.Priv.String()
		datagram := mustAppend(b, secured(b, u, false, 1))
		b.Run(name+"/by=standwatch", func(b *testing.B) { benchV3(b, u) })
		b.Run(name+"/by=gosnmp", func(b *testing.B) { benchOracle(b, datagram, oracleWithKeys(b, u)) })
		b.Run(name+"/by=bare_own_cfb", func(b *testing.B) { benchBare(b, u, datagram, bareCFB) })
		b.Run(name+"/by=bare_standard_library", func(b *testing.B) { benchBare(b, u, datagram, libraryCFB) })
	}
}

func benchCommunity(b *testing.B, datagram []byte) {
	var d Decoder
	b.SetBytes(int64(len(datagram)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := d.Parse(datagram); err != nil {
			b.Fatal(err)
		}
		if _, err := d.Notification(); err != nil {
			b.Fatal(err)
		}
	}
}

// benchV3 decodes as many different messages as there are, since one that came
// before is refused; a change of the engine's boots begins anew.
func benchV3(b *testing.B, u usm.User) {
	const kept = 64
	build := secured(b, u, false, 0)
	datagrams := make([][]byte, kept)
	for i := range datagrams {
		build.Secure.Salt = uint64(i)
		datagrams[i] = mustAppend(b, build)
	}
	table := newTable(b, u)
	var d Decoder
	b.SetBytes(int64(len(datagrams[0])))
	b.ReportAllocs()
	next := 0
	for b.Loop() {
		if next == kept {
			table.Forget(factsID)
			next = 0
		}
		if _, err := d.Parse(datagrams[next]); err != nil {
			b.Fatal(err)
		}
		if _, _, err := d.Open(epoch, table); err != nil {
			b.Fatal(err)
		}
		next++
	}
}

// oracleWithKeys returns the library with its keys made: its best case.
func oracleWithKeys(b *testing.B, u usm.User) *gosnmp.GoSNMP {
	g := oracleFor(u)
	if err := g.SecurityParameters.InitSecurityKeys(); err != nil {
		b.Fatal(err)
	}
	return g
}

func benchOracle(b *testing.B, datagram []byte, g *gosnmp.GoSNMP) {
	scratch := make([]byte, len(datagram))
	b.SetBytes(int64(len(datagram)))
	b.ReportAllocs()
	for b.Loop() {
		copy(scratch, datagram) // the library writes into what it reads
		if _, err := g.UnmarshalTrap(scratch, false); err != nil {
			b.Fatal(err)
		}
	}
}

// benchBare is what cannot be saved: HMAC over the message and AES-CFB over its
// payload, with everything made ready that can be. The CFB is either written
// out as in package usm or the standard library's.
func benchBare(b *testing.B, u usm.User, datagram []byte, cfb func(cipher.Block, []byte, []byte)) {
	key := usm.Localize(u.Auth, usm.PasswordToKey(u.Auth, syrup), factsID)
	newHash, keyLen := sha256.New, 16
	if u.Auth == usm.SHA512 {
		newHash, keyLen = sha512.New, 32
	}
	block, err := aes.NewCipher(key[:keyLen])
	if err != nil {
		b.Fatal(err)
	}
	var d Decoder
	m, err := d.Parse(datagram)
	if err != nil {
		b.Fatal(err)
	}
	mac := hmac.New(newHash, key)
	plain := make([]byte, len(m.Payload), len(m.Payload)+aes.BlockSize)
	b.SetBytes(int64(len(datagram)))
	b.ReportAllocs()
	for b.Loop() {
		bareMAC(mac, datagram, plain)
		cfb(block, plain, m.Payload)
	}
}

func bareMAC(mac hash.Hash, datagram, into []byte) {
	mac.Reset()
	mac.Write(datagram)
	mac.Sum(into[:0])
}

func bareCFB(block cipher.Block, dst, src []byte) {
	stream := dst[:cap(dst)]
	block.Encrypt(stream[:aes.BlockSize], src[:aes.BlockSize]) // for the IV, which costs the same
	for at := aes.BlockSize; at < len(src); at += aes.BlockSize {
		block.Encrypt(stream[at:at+aes.BlockSize], src[at-aes.BlockSize:at])
	}
	subtle.XORBytes(dst, dst, src)
}

func libraryCFB(block cipher.Block, dst, src []byte) {
	//lint:ignore SA1019 RFC 3826 section 3.1.3 asks for CFB, and this is the yardstick
	cipher.NewCFBDecrypter(block, src[:aes.BlockSize]).XORKeyStream(dst, src)
}

func BenchmarkResponse(b *testing.B) {
	build := v2c(eight()...)
	build.Inform = true
	d, _ := mustDecode(b, mustAppend(b, build))
	out := make([]byte, 0, 1024)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := d.AppendResponseV2(out); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkRefuse is what a forged engine ID costs (failing 4 of the twelve).
func BenchmarkRefuse(b *testing.B) {
	build := secured(b, allKeys, false, 0)
	build.Secure.EngineID = []byte("\x80\x00\x7e\xd9\x04forged")
	datagram := mustAppend(b, build)
	table := newTable(b, allKeys)
	var d Decoder
	b.ReportAllocs()
	for b.Loop() {
		if _, err := d.Parse(datagram); err != nil {
			b.Fatal(err)
		}
		if _, _, err := d.Open(epoch, table); err != usm.UnknownEngineID {
			b.Fatal(err)
		}
	}
}
