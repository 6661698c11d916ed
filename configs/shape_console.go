package configs

type consoleShape struct {
	Here     place         `yaml:"-"`
	Listen   hostPort      `yaml:"listen" jsonschema_description:"IP address and port; default 127.0.0.1:8620."`
	URL      text          `yaml:"url" jsonschema_description:"Address under which people reach it; put into messages."`
	TLS      *certShape    `yaml:"tls" jsonschema_description:"Certificate, when no reverse proxy has it. Changed files are taken without a restart."`
	Proxies  list[prefix]  `yaml:"proxies" jsonschema_description:"Networks of reverse proxies whose X-Forwarded-For is believed; without any, nobody's."`
	Sessions sessionsShape `yaml:"sessions" jsonschema_description:"How long a login lasts."`
	OpenID   *openIDShape  `yaml:"openid" jsonschema_description:"Logging in with another provider (OpenID Connect)."`
}

type certShape struct {
	Here        place `yaml:"-"`
	Certificate text  `yaml:"certificate" jsonschema_description:"PEM file with the certificate, and those between it and the root."`
	Key         text  `yaml:"key" jsonschema_description:"PEM file with its private key."`
}

type sessionsShape struct {
	Here    place `yaml:"-"`
	Idle    span  `yaml:"idle" jsonschema_description:"Without use for this long a login is over; an open live page is use. Default 1h."`
	Longest span  `yaml:"longest" jsonschema_description:"And after this long in any case; default 16h."`
}

type openIDShape struct {
	Here     place            `yaml:"-"`
	Label    text             `yaml:"label" jsonschema_description:"What the login page calls the provider."`
	Issuer   text             `yaml:"issuer" jsonschema_description:"The provider's https address, as it names itself."`
	ClientID text             `yaml:"client-id" jsonschema_description:"What the provider calls this console."`
	Secret   secret           `yaml:"client-secret" jsonschema_description:"For a client that has one."`
	Scopes   list[text]       `yaml:"scopes" jsonschema_description:"Asked for beside openid; default profile."`
	Name     text             `yaml:"name-claim" jsonschema_description:"Claim that becomes the account's name; default preferred_username."`
	Claim    text             `yaml:"claim" jsonschema_description:"Claim whose values grants speak of; default groups."`
	Grants   list[grantShape] `yaml:"grants" jsonschema_description:"Who gets in; the first that fits counts."`
}

type grantShape struct {
	Here    place      `yaml:"-"`
	Has     text       `yaml:"has" jsonschema_description:"A value of the claim."`
	Role    text       `yaml:"role" jsonschema_description:"look, operate, supervise or administer."`
	Regions list[text] `yaml:"regions" jsonschema_description:"Regions that are seen; with no sites either, all."`
	Sites   list[text] `yaml:"sites" jsonschema_description:"Sites that are seen."`
}
