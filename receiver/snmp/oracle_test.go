package snmp

import (
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/gosnmp/gosnmp"

	"example.net/standwatch/receiver/usm"
)

// oracle decodes with the library that this package does not use, behind
// recover: some datagrams make it panic.
func oracle(datagram []byte) (p *gosnmp.SnmpPacket, err error) {
	defer func() {
		if fault := recover(); fault != nil {
			err = fmt.Errorf("panic: %v", fault)
		}
	}()
	g := gosnmp.GoSNMP{Version: gosnmp.Version2c}
	return g.UnmarshalTrap(append([]byte(nil), datagram...), false)
}

// disagreement compares a v1 or v2c notification with what the oracle makes of
// the same datagram. It returns what differs, and is not one of the differences
// that we chose:
//   - the oracle takes versions and PDU types that are no notification;
//   - it takes an over-declared string, and counters it cannot read, as nil;
//   - a second snmpTrapOID.0 or a sysUpTime.0 further on is one of ours to keep.
func disagreement(n *Notification, p *gosnmp.SnmpPacket) string {
	vbs := p.Variables
	trap := ""
	if n.Version == V1 {
		trap = strings.TrimPrefix(p.Enterprise, ".") + fmt.Sprintf(".0.%d", p.SpecificTrap)
		if p.GenericTrap != enterpriseSpecific {
			trap = OID(snmpTraps).Append(uint32(p.GenericTrap) + 1).String()
		}
	} else {
		taken := map[string]bool{}
		var rest []gosnmp.SnmpPDU
		for _, v := range vbs {
			name := strings.TrimPrefix(v.Name, ".")
			switch {
			case name == OID(nameTrapOID).String() && v.Type == gosnmp.ObjectIdentifier && !taken[name]:
				trap = strings.TrimPrefix(v.Value.(string), ".")
			case name == OID(nameUpTime).String() && v.Type == gosnmp.TimeTicks && !taken[name]:
			default:
				rest = append(rest, v)
				continue
			}
			taken[name] = true
		}
		vbs = rest
	}
	if got := OID(n.TrapOID).String(); got != trap {
		return fmt.Sprintf("trap %s, oracle %s", got, trap)
	}
	if len(n.Varbinds) != len(vbs) {
		return fmt.Sprintf("%d varbinds, oracle %d", len(n.Varbinds), len(vbs))
	}
	for i, v := range n.Varbinds {
		if got, want := OID(v.Name).String(), strings.TrimPrefix(vbs[i].Name, "."); got != want {
			return fmt.Sprintf("name %s, oracle %s", got, want)
		}
	}
	return ""
}

func TestAgreesWithOracle(t *testing.T) {
	datagrams := recorded(t)
	datagrams["v2c"] = mustAppend(t, v2c(eight()...))
	datagrams["v1"] = mustAppend(t, Build{Version: V1, Community: "public", TrapOID: anyTrap, Varbinds: eight()})
	compared := 0
	for name, datagram := range datagrams {
		if strings.HasPrefix(name, "v3") {
			continue
		}
		_, n := mustDecode(t, datagram)
		p, err := oracle(datagram)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if d := disagreement(n, p); d != "" {
			t.Errorf("%s: %s", name, d)
		}
		compared++
	}
	if compared != 7 {
		t.Errorf("%d compared, want 7", compared)
	}
}

var (
	oracleAuth = map[usm.Auth]gosnmp.SnmpV3AuthProtocol{usm.NoAuth: gosnmp.NoAuth, usm.MD5: gosnmp.MD5, usm.SHA1: gosnmp.SHA, usm.SHA224: gosnmp.SHA224, usm.SHA256: gosnmp.SHA256, usm.SHA384: gosnmp.SHA384, usm.SHA512: gosnmp.SHA512}
	oraclePriv = map[usm.Priv]gosnmp.SnmpV3PrivProtocol{usm.NoPriv: gosnmp.NoPriv, usm.DES: gosnmp.DES, usm.AES128: gosnmp.AES, usm.AES192: gosnmp.AES192, usm.AES256: gosnmp.AES256, usm.AES192C: gosnmp.AES192C, usm.AES256C: gosnmp.AES256C}
)

// oracleFor returns the library set up as one user, at factsID.
func oracleFor(u usm.User) *gosnmp.GoSNMP {
	flags := gosnmp.NoAuthNoPriv
	switch u.Level() {
	case usm.AuthNoPriv:
		flags = gosnmp.AuthNoPriv
	case usm.AuthPriv:
		flags = gosnmp.AuthPriv
	}
	return &gosnmp.GoSNMP{
		Version: gosnmp.Version3, SecurityModel: gosnmp.UserSecurityModel, MsgFlags: flags, Timeout: time.Second,
		SecurityParameters: &gosnmp.UsmSecurityParameters{
			UserName: u.Name, AuthoritativeEngineID: string(factsID), AuthoritativeEngineBoots: 1, AuthoritativeEngineTime: 100,
			AuthenticationProtocol: oracleAuth[u.Auth], AuthenticationPassphrase: u.AuthPass,
			PrivacyProtocol: oraclePriv[u.Priv], PrivacyPassphrase: u.PrivPass,
		},
	}
}

// everyUser returns a user for each combination of protocols.
func everyUser() (out []usm.User) {
	for auth := usm.NoAuth; auth <= usm.SHA512; auth++ {
		for priv := usm.NoPriv; priv <= usm.AES256C; priv++ {
			if auth == usm.NoAuth && priv != usm.NoPriv {
				continue
			}
			out = append(out, usm.User{Name: "remote", Auth: auth, Priv: priv, AuthPass: syrup, PrivPass: "another syrup"})
		}
	}
	return out
}

// The library sends, this package receives, over loopback: every protocol, both
// ways to lengthen a key.
func TestHearsOracle(t *testing.T) {
	conn, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	buffer := make([]byte, 65536)
	for _, u := range everyUser() {
		t.Run(u.Auth.String()+"_"+u.Priv.String(), func(t *testing.T) {
			g := oracleFor(u)
			g.Target, g.Port = "127.0.0.1", uint16(conn.LocalAddr().(*net.UDPAddr).Port)
			if err := g.Connect(); err != nil {
				t.Fatal(err)
			}
			defer g.Conn.Close()
			if _, err := g.SendTrap(gosnmp.SnmpTrap{Variables: []gosnmp.SnmpPDU{
				{Name: ".1.3.6.1.2.1.1.3.0", Type: gosnmp.TimeTicks, Value: uint32(12345)},
				{Name: ".1.3.6.1.6.3.1.1.4.1.0", Type: gosnmp.ObjectIdentifier, Value: "." + anyTrap.String()},
				{Name: "." + anyName.String(), Type: gosnmp.OctetString, Value: "rectifier 2 failed"},
			}}); err != nil {
				t.Fatal(err)
			}
			if err := conn.SetReadDeadline(time.Now().Add(5 * time.Second)); err != nil {
				t.Fatal(err)
			}
			size, err := conn.Read(buffer)
			if err != nil {
				t.Fatal(err)
			}
			n, err := open(t, newTable(t, u), buffer[:size])
			if err != nil {
				t.Fatal(err)
			}
			if OID(n.TrapOID) != anyTrap || n.Uptime != 12345 || len(n.Varbinds) != 1 || n.Varbinds[0].Text("") != "rectifier 2 failed" {
				t.Errorf("%+v", *n)
			}
		})
	}
}

// This package sends, the library receives.
func TestOracleHears(t *testing.T) {
	for _, u := range everyUser() {
		t.Run(u.Auth.String()+"_"+u.Priv.String(), func(t *testing.T) {
			datagram := mustAppend(t, secured(t, u, false, 1))
			p, err := oracleFor(u).UnmarshalTrap(datagram, false)
			if err != nil {
				t.Fatal(err)
			}
			if len(p.Variables) != 10 || p.Variables[1].Value != "."+anyTrap.String() {
				t.Errorf("%+v", p.Variables)
			}
		})
	}
}

// FuzzAgainstOracle looks for datagrams that both take and read differently.
func FuzzAgainstOracle(f *testing.F) {
	seed(f)
	f.Fuzz(func(t *testing.T, datagram []byte) {
		_, n, err := decode(datagram)
		if err != nil {
			return
		}
		p, err := oracle(datagram)
		if err != nil {
			return // stricter than we are, or not able
		}
		if d := disagreement(n, p); d != "" {
			t.Errorf("%x: %s", datagram, d)
		}
	})
}
