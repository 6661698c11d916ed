package configs

// daemonFile is the shape of standwatch.yaml.
type daemonFile struct {
	Here     place                 `yaml:"-"`
	Centre   centreShape           `yaml:"centre" jsonschema_description:"The operations centre."`
	Traps    trapsShape            `yaml:"traps" jsonschema_description:"Where notifications come in."`
	Security securityShape         `yaml:"security" jsonschema_description:"Communities and users of SNMP, by name. Secrets come from outside: ${env:NAME}, ${file:/path} or ${cred:NAME}."`
	Store    storeShape            `yaml:"store" jsonschema_description:"The data folder."`
	Console  consoleShape          `yaml:"console" jsonschema_description:"The pages for operators, and the API."`
	Gateways entries[gatewayShape] `yaml:"gateways" jsonschema_description:"Ways to tell people, by name."`
	Watcher  *watcherShape         `yaml:"watcher" jsonschema_description:"Who outside hears the master's heartbeat, and tells somebody when it does not."`
	Forward  entries[forwardShape] `yaml:"forward" jsonschema_description:"Other managers that are told of alarms, by name."`
	MIBs     list[text]            `yaml:"mibs" jsonschema_description:"Folders below the configuration folder with MIB texts, which give names, words and units."`
	Defaults defaultsShape         `yaml:"defaults" jsonschema_description:"What holds for every point and agent that says nothing else."`
}

type centreShape struct {
	Here     place `yaml:"-"`
	Name     text  `yaml:"name" jsonschema_description:"What the centre is called."`
	TimeZone text  `yaml:"time-zone" jsonschema_description:"Its IANA time zone; UTC when left out."`
}

type trapsShape struct {
	Here      place                  `yaml:"-"`
	Listeners entries[listenerShape] `yaml:"listeners" jsonschema_description:"Sockets, by name. Without any: 0.0.0.0:162 and [::]:162."`
}

type listenerShape struct {
	Here      place        `yaml:"-"`
	Address   hostPort     `yaml:"address" jsonschema_description:"IP address and port, such as 0.0.0.0:162."`
	Interface text         `yaml:"interface" jsonschema_description:"Network device to bind to."`
	Buffer    octets       `yaml:"buffer" jsonschema_description:"Receive buffer asked for, such as 4MiB."`
	Readers   integer      `yaml:"readers" jsonschema_description:"Sockets that share the address."`
	Allow     list[prefix] `yaml:"allow" jsonschema_description:"Networks that may speak at all; without any, everybody."`
	Relays    list[prefix] `yaml:"relays" jsonschema_description:"Networks whose word about another origin is believed."`
	Community list[text]   `yaml:"community" jsonschema_description:"Names under security.communities, for agents that name none and for unknown senders."`
	TLS       *tlsShape    `yaml:"tls" jsonschema_description:"SNMP over TLS (RFC 6353) in place of UDP; its usual port for notifications is 10162."`
}

type tlsShape struct {
	Here        place  `yaml:"-"`
	Certificate secret `yaml:"certificate" jsonschema_description:"The master's certificate in PEM, with those between it and its authority: ${file:/path}."`
	Key         secret `yaml:"key" jsonschema_description:"Its private key in PEM: ${file:/path}."`
	Clients     secret `yaml:"clients" jsonschema_description:"Authorities in PEM whose certificates are taken by name; left out, only certificates that agents name by fingerprint."`
	Name        text   `yaml:"name" jsonschema_description:"What names the owner of such a certificate: san-any (default), san-dns, san-email, san-address or common-name."`
}

type securityShape struct {
	Here        place              `yaml:"-"`
	Communities entries[secret]    `yaml:"communities" jsonschema_description:"Communities of v1 and v2c, by a name of your own."`
	Users       entries[userShape] `yaml:"users" jsonschema_description:"SNMPv3 users, by a name of your own, which is their user name unless name says another."`
}

type userShape struct {
	Here       place        `yaml:"-"`
	Name       text         `yaml:"name" jsonschema_description:"The user name on the wire; left out, the name of this entry. Several entries may have one name with keys for different engines."`
	EngineIDs  list[engine] `yaml:"engine-id" jsonschema_description:"The engines this entry is for, in hexadecimal; left out, those of the agents that name it. With localised keys exactly one."`
	Informs    *truth       `yaml:"informs" jsonschema_description:"Whether informs may come under it; left out: yes, but no with localised keys or where entries share a name."`
	AuthKey    secret       `yaml:"auth-key" jsonschema_description:"Localised authentication key in hexadecimal, in place of auth-secret."`
	PrivKey    secret       `yaml:"priv-key" jsonschema_description:"Localised privacy key in hexadecimal, in place of priv-secret."`
	Auth       text         `yaml:"auth" jsonschema_description:"Authentication: md5, sha1, sha224, sha256, sha384 or sha512; left out, none."`
	AuthSecret secret       `yaml:"auth-secret" jsonschema_description:"Passphrase of at least 8 octets."`
	Priv       text         `yaml:"priv" jsonschema_description:"Privacy: des, aes128, aes192, aes256, aes192c or aes256c; left out, none."`
	PrivSecret secret       `yaml:"priv-secret" jsonschema_description:"Passphrase of at least 8 octets."`
	Minimum    text         `yaml:"minimum" jsonschema_description:"Weakest level taken: noAuthNoPriv, authNoPriv or authPriv; left out, the best the user has."`
}

type gatewayShape struct {
	Here  place       `yaml:"-"`
	Mail  *mailShape  `yaml:"mail" jsonschema_description:"Mail by SMTP."`
	SMS   *smsShape   `yaml:"sms-http" jsonschema_description:"Short messages by a gateway that takes HTTP requests."`
	SMPP  *smppShape  `yaml:"smpp" jsonschema_description:"Short messages by SMPP 3.4."`
	Modem *modemShape `yaml:"modem" jsonschema_description:"Short messages by a modem on a serial line."`
	SNPP  *snppShape  `yaml:"snpp" jsonschema_description:"Pagers by SNPP."`
	TAP   *tapShape   `yaml:"tap" jsonschema_description:"Pagers by TAP, over a modem or TCP."`
	Hook  *hookShape  `yaml:"hook" jsonschema_description:"Signed HTTP requests to a program of your own."`

	Incoming *incomingShape `yaml:"incoming" jsonschema_description:"What the gateway sends back over HTTP, to /in/ and the gateway's name at the console's address: answers of people, and receipts."`
}

type mailShape struct {
	Here     place   `yaml:"-"`
	Host     text    `yaml:"host" jsonschema_description:"Name or address of the mail server."`
	Port     integer `yaml:"port" jsonschema_description:"Default 587 with starttls, 465 with implicit, 25 with none."`
	TLS      text    `yaml:"tls" jsonschema_description:"starttls (default), implicit or none."`
	Username text    `yaml:"username" jsonschema_description:"For a server that wants a login."`
	Password secret  `yaml:"password" jsonschema_description:"For a server that wants a login."`
	From     text    `yaml:"from" jsonschema_description:"Sender's address."`
	Name     text    `yaml:"name" jsonschema_description:"Sender's name."`
	Hello    text    `yaml:"hello" jsonschema_description:"Name given in EHLO; default this machine's."`
	Timeout  span    `yaml:"timeout" jsonschema_description:"Of one attempt."`
}

type smsShape struct {
	Here        place           `yaml:"-"`
	URL         text            `yaml:"url" jsonschema_description:"Address of the gateway; ${to}, ${text}, ${id} and ${from} may stand in it."`
	Method      text            `yaml:"method" jsonschema_description:"POST (default), GET or PUT."`
	ContentType text            `yaml:"content-type" jsonschema_description:"Of the body; default application/json."`
	Body        text            `yaml:"body" jsonschema_description:"With ${to}, ${text}, ${id} and ${from}, escaped as the content type wants."`
	Headers     entries[text]   `yaml:"headers" jsonschema_description:"Further headers."`
	Secrets     entries[secret] `yaml:"secret-headers" jsonschema_description:"Headers that are secret, such as Authorization."`
	Username    text            `yaml:"username" jsonschema_description:"For HTTP basic authentication."`
	Password    secret          `yaml:"password" jsonschema_description:"For HTTP basic authentication."`
	From        text            `yaml:"from" jsonschema_description:"Sender's number or name, for ${from}."`
	Accept      list[integer]   `yaml:"accept" jsonschema_description:"HTTP statuses of success; default 200, 201, 202."`
	IDPath      text            `yaml:"id-path" jsonschema_description:"Where the gateway's own ID stands in a JSON answer, such as messages.0.id."`
	OKPath      text            `yaml:"ok-path" jsonschema_description:"A value in a JSON answer that must be one of ok-values."`
	OKValues    list[text]      `yaml:"ok-values" jsonschema_description:"See ok-path."`
	Timeout     span            `yaml:"timeout" jsonschema_description:"Of one attempt."`
}

type defaultsShape struct {
	Here       place      `yaml:"-"`
	RaiseAfter span       `yaml:"raise-after" jsonschema_description:"See points."`
	ClearAfter span       `yaml:"clear-after" jsonschema_description:"See points."`
	ReAlarm    span       `yaml:"re-alarm" jsonschema_description:"See points."`
	Hold       span       `yaml:"hold" jsonschema_description:"For points with explained-by; default 10s."`
	Flap       *flapShape `yaml:"flap" jsonschema_description:"Flap suppression: on (default), off, count-only, or its settings."`
	Heartbeat  span       `yaml:"heartbeat" jsonschema_description:"For agents; default none owed."`
	Grace      span       `yaml:"grace" jsonschema_description:"For agents; default 30s."`
	Ask        *askShape  `yaml:"ask" jsonschema_description:"How agents are asked for their true state."`
}
