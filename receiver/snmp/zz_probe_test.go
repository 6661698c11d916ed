package snmp
import ("testing"; "crypto/hmac"; "crypto/sha256"; "crypto/aes"; "example.net/standwatch/receiver/usm")
func BenchmarkProbe(b *testing.B) {
	u := allKeys
	dg := mustAppend(b, secured(b, u, false, 1))
	table := newTable(b, u)
	var d Decoder
	m, _ := d.Parse(dg)
	k := table.Keys(factsID, []byte("remote"))
	in := d.incoming()
	plain, _ := k.Open(make([]byte,0,1024), m.Payload, &m.Security)
	plain = append([]byte(nil), plain...)
	b.Run("parse", func(b *testing.B) { for b.Loop() { d.Parse(dg) } })
	b.Run("scoped", func(b *testing.B) { for b.Loop() { d.Scoped(plain) } })
	scratch := make([]byte, 0, 1024)
	b.Run("verifyScratch", func(b *testing.B) { for b.Loop() { k.Verify(dg, m.Security.MACAt, 24, scratch) } })
	b.Run("verifyNil", func(b *testing.B) { for b.Loop() { k.Verify(dg, m.Security.MACAt, 24, nil) } })
	b.Run("open", func(b *testing.B) { for b.Loop() { k.Open(scratch, m.Payload, &m.Security) } })
	b.Run("process", func(b *testing.B) { for b.Loop() { table.Process(epoch, in) } })
	b.Run("reopen", func(b *testing.B) { for b.Loop() { table.Reopen(in) } })
	mac := hmac.New(sha256.New, make([]byte, 32))
	b.Run("bareMAC", func(b *testing.B) { for b.Loop() { bareMAC(mac, dg, scratch) } })
	block, _ := aes.NewCipher(make([]byte, 16))
	out := make([]byte, len(m.Payload))
	b.Run("bareCFB", func(b *testing.B) { for b.Loop() { bareCFB(block, out, m.Payload) } })
	_ = usm.Accepted
}
