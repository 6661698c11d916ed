package configs

type smppShape struct {
	Here       place   `yaml:"-"`
	Host       text    `yaml:"host" jsonschema_description:"Name or address of the service centre."`
	Port       integer `yaml:"port" jsonschema_description:"Default 2775."`
	TLS        text    `yaml:"tls" jsonschema_description:"implicit, which is TLS from the first octet, or none (default)."`
	SystemID   text    `yaml:"system-id" jsonschema_description:"Who we are there; at most 15 characters."`
	Password   secret  `yaml:"password" jsonschema_description:"At most 8 characters."`
	SystemType text    `yaml:"system-type" jsonschema_description:"If the centre wants one."`
	Service    text    `yaml:"service" jsonschema_description:"service_type, if the centre wants one."`
	From       text    `yaml:"from" jsonschema_description:"Sender: a number such as +12025550100, a short number, or up to 11 letters."`
	Join       text    `yaml:"join" jsonschema_description:"How parts of a long text are marked: udh (default), sar or payload."`
	Receipts   truth   `yaml:"receipts" jsonschema_description:"Whether to ask for delivery receipts; default yes."`
	HexReceipt truth   `yaml:"hex-receipts" jsonschema_description:"Yes if the centre answers IDs in hexadecimal and writes them in decimal in receipts."`
	Keep       span    `yaml:"keep" jsonschema_description:"How long the network tries to deliver, such as 30m; left out, the centre decides."`
	Window     integer `yaml:"window" jsonschema_description:"Messages unanswered at once; default 10."`
	PerSecond  integer `yaml:"per-second" jsonschema_description:"Most messages a second; left out, no limit of our own."`
	Timeout    span    `yaml:"timeout" jsonschema_description:"For connecting and for each answer; default 10s."`
	Enquire    span    `yaml:"enquire" jsonschema_description:"Between signs of life; default 30s."`
}

type modemShape struct {
	Here     place   `yaml:"-"`
	Device   text    `yaml:"device" jsonschema_description:"Serial port such as /dev/ttyUSB0, better one below /dev/serial/by-id, or tcp:host:port."`
	Baud     integer `yaml:"baud" jsonschema_description:"Speed of the line; default 115200."`
	PIN      secret  `yaml:"pin" jsonschema_description:"Of the SIM card, if it has one. It is tried once."`
	Centre   text    `yaml:"centre" jsonschema_description:"Number of the service centre; left out, the card's own."`
	Mode     text    `yaml:"mode" jsonschema_description:"pdu (default), or text for modems that know nothing else."`
	Receipts truth   `yaml:"receipts" jsonschema_description:"Whether to ask for delivery reports; default yes."`
	Keep     span    `yaml:"keep" jsonschema_description:"How long the network tries to deliver, such as 30m; left out, the network decides."`
	Timeout  span    `yaml:"timeout" jsonschema_description:"For the network's answer to one message; default 25s."`
}

type snppShape struct {
	Here     place   `yaml:"-"`
	Host     text    `yaml:"host" jsonschema_description:"Name or address of the paging terminal."`
	Port     integer `yaml:"port" jsonschema_description:"Default 444."`
	TLS      text    `yaml:"tls" jsonschema_description:"implicit, which is TLS from the first octet, or none (default)."`
	Username text    `yaml:"username" jsonschema_description:"For a terminal that wants a login."`
	Password secret  `yaml:"password" jsonschema_description:"For a terminal that wants a login."`
	Longest  integer `yaml:"longest" jsonschema_description:"Characters that the pagers show; default 240."`
	Timeout  span    `yaml:"timeout" jsonschema_description:"Of one attempt; default 20s."`
}

type tapShape struct {
	Here     place   `yaml:"-"`
	Device   text    `yaml:"device" jsonschema_description:"Serial port such as /dev/ttyS0, or tcp:host:port."`
	Baud     integer `yaml:"baud" jsonschema_description:"Speed of the line; default 1200."`
	Dial     text    `yaml:"dial" jsonschema_description:"What the modem dials, such as ATDT5550147; left out, the line leads to the terminal."`
	Password secret  `yaml:"password" jsonschema_description:"For a terminal that wants one; at most 6 characters."`
	Longest  integer `yaml:"longest" jsonschema_description:"Characters that the pagers show; default 220."`
	Timeout  span    `yaml:"timeout" jsonschema_description:"Of one attempt, dialling included; default 90s."`
}

type hookShape struct {
	Here    place  `yaml:"-"`
	URL     text   `yaml:"url" jsonschema_description:"Where the requests go."`
	Secret  secret `yaml:"secret" jsonschema_description:"Shared secret of the signature; at least 16 characters."`
	Timeout span   `yaml:"timeout" jsonschema_description:"Of one attempt; default 15s."`
}
