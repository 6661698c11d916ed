package usm

import (
	"bytes"
	"encoding/hex"
	"testing"
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// RFC 3414 sections A.3.1 and A.3.2 (MD5, SHA-1). The SHA-2 rows stand in no
// RFC: RFC 7860 prints none; they were computed with another language's library.
func TestPasswordToKeyAndLocalize(t *testing.T) {
	engineID := unhex(t, "000000000000000000000002")
	for _, tc := range []struct {
		auth    Auth
		ku, kul string
	}{
		{MD5, "9faf3283884e92834ebc9847d8edd963", "526f5eed9fcce26f8964c2930787d82b"},
		{SHA1, "9fb5cc0381497b3793528939ff788d5d79145211", "6695febc9288e36282235fc7151f128497b38f3f"},
		{SHA224, "282a5867ee9aac639ad59df9572c7d3ac0fbc13a905b6df07dbbf00b", "0bd8827c6e29f8065e08e09237f177e410f69b90e1782be682075674"},
		{SHA256, "ab51014d1e077f6017df2b12bee5f5aa72993177e9bb569c4dff5a4ca0b4afac", "8982e0e549e866db361a6b625d84cccc11162d453ee8ce3a6445c2d6776f0f8b"},
		{SHA384, "e06eccdf2c68a06ed034723c9c26e0db3b669e1e2efed49150b55377a2e98f383c86fb836857444654b287c93f51ff64", "3b298f16164a11184279d5432bf169e2d2a48307de02b3d3f7e2b4f36eb6f0455a53689a3937eea07319a633d2ccba78"},
		{SHA512, "7e4396de5aadc77be853819b98c9406265b3a9c37cc3176569847a4e4f6fba63dd3a73d04924d31a63f95a601f9385af6be4ed1b37f87d040f7c6ed6f8d38a91", "22a5a36cedfcc085807a128d7bc6c2382167ad6c0dbc5fdff856740f3d84c099ad1ea87a8db096714d9788bd544047c9021e4229ce27e4c0a69250adfcffbb0b"},
	} {
		t.Run(tc.auth.String(), func(t *testing.T) {
			ku := PasswordToKey(tc.auth, "maplesyrup")
			if got := hex.EncodeToString(ku); got != tc.ku {
				t.Errorf("Ku = %s, want %s", got, tc.ku)
			}
			if got := hex.EncodeToString(Localize(tc.auth, ku, engineID)); got != tc.kul {
				t.Errorf("Kul = %s, want %s", got, tc.kul)
			}
		})
	}
}

// RFC 3414 section 11.2: a passphrase that repeats another gives the same key.
func TestPasswordToKeyRepeats(t *testing.T) {
	if !bytes.Equal(PasswordToKey(SHA1, "bertbert"), PasswordToKey(SHA1, "bertbertbert")) {
		t.Error("bertbert and bertbertbert differ")
	}
	if PasswordToKey(SHA1, "") != nil || PasswordToKey(NoAuth, "bertbert") != nil {
		t.Error("a key without a passphrase or a protocol")
	}
}

// RFC 3414 sections A.5.1 and A.5.2: from maplesyrup to newsyrup.
func TestKeyChange(t *testing.T) {
	engineID := unhex(t, "000000000000000000000002")
	key := func(a Auth, pass string) []byte { return Localize(a, PasswordToKey(a, pass), engineID) }
	for _, tc := range []struct {
		name string
		auth Auth
		cut  int
		want string
	}{
		{"md5", MD5, 16, "00000000000000000000000000000000" + "8805615141676cc9196174e742a32551"},
		{"sha1", SHA1, 20, "0000000000000000000000000000000000000000" + "9c1017f4fd483d2de8d5fadbf84392cb06457051"},
		{"sha1_privacy", SHA1, 16, "00000000000000000000000000000000" + "7ef8d8a4c9cdb26b47591cd852ff88b5"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			old, next := key(tc.auth, "maplesyrup")[:tc.cut], key(tc.auth, "newsyrup")[:tc.cut]
			if got := hex.EncodeToString(KeyChange(tc.auth, old, next, make([]byte, tc.cut))); got != tc.want {
				t.Errorf("got %s, want %s", got, tc.want)
			}
		})
	}
}

// RFC 7860 section 4.1 and RFC 3414 sections 6 and 7.
func TestMACLengths(t *testing.T) {
	want := map[Auth]int{NoAuth: 0, MD5: 12, SHA1: 12, SHA224: 16, SHA256: 24, SHA384: 32, SHA512: 48}
	for a, n := range want {
		k, err := NewKeys(User{Name: "u", Auth: a, AuthPass: "maplesyrup"}, []byte("12345"))
		if err != nil {
			t.Fatal(err)
		}
		if k.MACLen() != n {
			t.Errorf("%s: %d octets, want %d", a, k.MACLen(), n)
		}
	}
}

func TestParseWords(t *testing.T) {
	for _, word := range append(AuthWords(), "none") {
		if a, err := ParseAuth(word); err != nil || a.String() != word {
			t.Errorf("ParseAuth(%q) = %v, %v", word, a, err)
		}
	}
	for _, word := range append(PrivWords(), "none") {
		if p, err := ParsePriv(word); err != nil || p.String() != word {
			t.Errorf("ParsePriv(%q) = %v, %v", word, p, err)
		}
	}
	if a, err := ParseAuth("sha"); a != SHA1 || err != nil {
		t.Errorf("sha is %v, %v", a, err)
	}
	if p, err := ParsePriv("aes"); p != AES128 || err != nil {
		t.Errorf("aes is %v, %v", p, err)
	}
	if _, err := ParseAuth("SHA256"); err == nil {
		t.Error("words are lower case")
	}
	if _, err := ParsePriv("3des"); err == nil {
		t.Error("3des was taken")
	}
	for l := NoAuthNoPriv; l <= AuthPriv; l++ {
		if got, ok := ParseLevel(l.String()); !ok || got != l {
			t.Errorf("ParseLevel(%q) = %v, %v", l, got, ok)
		}
	}
	if _, ok := ParseLevel("none"); ok {
		t.Error("none is no level")
	}
}

// The two ways to lengthen a key agree in what the hash already gives, and
// differ after it.
func TestKeyExtension(t *testing.T) {
	engineID := unhex(t, "80007ed9046661637473")
	kul := Localize(SHA1, PasswordToKey(SHA1, "maplesyrup"), engineID)
	hashed, derived := PrivKey(SHA1, AES256, kul, engineID), PrivKey(SHA1, AES256C, kul, engineID)
	if len(hashed) != 32 || len(derived) != 32 {
		t.Fatalf("%d and %d octets, want 32", len(hashed), len(derived))
	}
	if !bytes.Equal(hashed[:20], kul) || !bytes.Equal(derived[:20], kul) || bytes.Equal(hashed[20:], derived[20:]) {
		t.Errorf("%x and %x from %x", hashed, derived, kul)
	}
	long := Localize(SHA512, PasswordToKey(SHA512, "maplesyrup"), engineID)
	if !bytes.Equal(PrivKey(SHA512, AES256, long, engineID), PrivKey(SHA512, AES256C, long, engineID)) {
		t.Error("a key that is long enough was lengthened")
	}
}
