package wire

import (
	"fmt"

	"github.com/gosnmp/gosnmp"

	"example.net/standwatch/receiver/usm"
)

// secure sets the library up for a user's messages.
func secure(w *gosnmp.GoSNMP, o Options) error {
	l := o.Login
	auth, priv, err := protocols(l)
	if err != nil {
		return err
	}
	p := &gosnmp.UsmSecurityParameters{
		UserName:               l.User,
		AuthenticationProtocol: auth, AuthenticationPassphrase: l.AuthSecret,
		PrivacyProtocol: priv, PrivacyPassphrase: l.PrivSecret,
	}
	w.Version = gosnmp.Version3
	w.SecurityModel = gosnmp.UserSecurityModel
	w.SecurityParameters = p
	w.ContextName = l.Context
	switch {
	case l.Priv != usm.NoPriv:
		w.MsgFlags = gosnmp.AuthPriv
	case l.Auth != usm.NoAuth:
		w.MsgFlags = gosnmp.AuthNoPriv
	default:
		w.MsgFlags = gosnmp.NoAuthNoPriv
	}
	if o.Inform {
		return nil
	}
	if len(l.EngineID) < 5 || len(l.EngineID) > 32 {
		return fmt.Errorf("a v3 trap needs the sender's engine ID of 5 to 32 octets (RFC 3411 section 5), not %d", len(l.EngineID))
	}
	p.AuthoritativeEngineID = string(l.EngineID)
	p.AuthoritativeEngineBoots = o.Boots
	w.ContextEngineID = string(l.EngineID)
	if l.Auth == usm.NoAuth {
		return nil
	}
	if err := p.InitSecurityKeys(); err != nil {
		return fmt.Errorf("user %q: %w", l.User, err)
	}
	return nil
}

// protocols translates into the library's numbers.
func protocols(l Login) (gosnmp.SnmpV3AuthProtocol, gosnmp.SnmpV3PrivProtocol, error) {
	auth, ok := map[usm.Auth]gosnmp.SnmpV3AuthProtocol{
		usm.NoAuth: gosnmp.NoAuth, usm.MD5: gosnmp.MD5, usm.SHA1: gosnmp.SHA, usm.SHA224: gosnmp.SHA224,
		usm.SHA256: gosnmp.SHA256, usm.SHA384: gosnmp.SHA384, usm.SHA512: gosnmp.SHA512,
	}[l.Auth]
	if !ok {
		return 0, 0, fmt.Errorf("user %q: no authentication protocol %v", l.User, l.Auth)
	}
	priv, ok := map[usm.Priv]gosnmp.SnmpV3PrivProtocol{
		usm.NoPriv: gosnmp.NoPriv, usm.DES: gosnmp.DES, usm.AES128: gosnmp.AES, usm.AES192: gosnmp.AES192,
		usm.AES256: gosnmp.AES256, usm.AES192C: gosnmp.AES192C, usm.AES256C: gosnmp.AES256C,
	}[l.Priv]
	if !ok {
		return 0, 0, fmt.Errorf("user %q: no privacy protocol %v", l.User, l.Priv)
	}
	if l.User == "" {
		return 0, 0, fmt.Errorf("SNMPv3 needs a user name")
	}
	return auth, priv, nil
}
