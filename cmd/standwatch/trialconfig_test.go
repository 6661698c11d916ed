package main

// What the trial's configuration takes from outside. The values are invented.
const (
	trialCommunity = "trial-community"
	trialAuth      = "trial authentication"
	trialPriv      = "trial privacy"
)

// trialAgent is one way of speaking, with an agent and a site of its own.
type trialAgent struct {
	site    string
	address string
	version string // v1, v2c, v3
	user    string // v3, as in standwatch.yaml
	auth    string // none, sha1, sha256, sha512
	priv    string // none, aes128, aes256
	engine  string // of its traps, hexadecimal
}

// trialAgents are the agents of the trial's configuration.
var trialAgents = []trialAgent{
	{site: "alder-gap", address: "127.9.50.1", version: "v1"},
	{site: "birch-hollow", address: "127.9.50.2", version: "v2c"},
	{site: "cedar-ford", address: "127.9.50.3", version: "v3", user: "plain", auth: "none", priv: "none", engine: "80007ed904636564617266"},
	{site: "dock-lane", address: "127.9.50.4", version: "v3", user: "sha", auth: "sha1", priv: "none", engine: "80007ed904646f636b6c6e"},
	{site: "elm-rise", address: "127.9.50.5", version: "v3", user: "sha-aes", auth: "sha1", priv: "aes128", engine: "80007ed904656c6d7273"},
	{site: "fern-shaw", address: "127.9.50.6", version: "v3", user: "sha256-aes", auth: "sha256", priv: "aes128", engine: "80007ed9046665726e73"},
	{site: "gorse-heath", address: "127.9.50.7", version: "v3", user: "sha512-aes256", auth: "sha512", priv: "aes256", engine: "80007ed904676f727365"},
}

// trialFiles is the trial's configuration folder.
var trialFiles = map[string]string{
	"standwatch.yaml": `
centre: {name: Trial centre}
traps:
  listeners:
    trial:
      address: ${env:TRIAL_TRAPS}
      allow: 127.0.0.0/8
      community: trial
security:
  communities:
    trial: ${env:TRIAL_COMMUNITY}
  users:
    plain: {minimum: noAuthNoPriv}
    sha: {auth: sha1, auth-secret: "${env:TRIAL_AUTH}"}
    sha-aes: {auth: sha1, auth-secret: "${env:TRIAL_AUTH}", priv: aes128, priv-secret: "${env:TRIAL_PRIV}"}
    sha256-aes: {auth: sha256, auth-secret: "${env:TRIAL_AUTH}", priv: aes128, priv-secret: "${env:TRIAL_PRIV}"}
    sha512-aes256: {auth: sha512, auth-secret: "${env:TRIAL_AUTH}", priv: aes256, priv-secret: "${env:TRIAL_PRIV}"}
console:
  listen: ${env:TRIAL_CONSOLE}
`,
	"people.yaml": `
routes:
  - {name: the board alone, board-only: yes}
`,
	"rules/rules.yaml": `
use: [snmpv2, if, kestrel-remote]
rules:
  # A load of informs, each about an instance of its own.
  - name: counted
    on: 1.3.6.1.4.1.32473.20.0.1
    observe:
      - {point: counted, instance: "${#1}", what: raise}
`,
	"sites/sites.yaml": `
templates:
  hut:
    points:
      mains: {number: 1, name: Mains supply, alarm: Mains failed, normal: Mains present, class: power, severity: major}
      door: {number: 2, name: Door, alarm: Door open, normal: Door closed, class: security, severity: minor}
      battery: {number: 3, name: Battery fuse, alarm: Battery fuse blown, normal: Battery fuse whole, class: power, severity: critical}
      counted: {name: Counted, alarm: Counted, normal: Not counted, severity: warning}
      link: {kind: link, name: Link, alarm: Link down, normal: Link up, severity: critical}
      alive: {kind: alive, name: Remote, alarm: Silent, normal: Heard again, severity: major}
sites:
  alder-gap:
    name: Alder Gap
    templates: hut
    agents: {alder-gap-remote: {addresses: 127.9.50.1, community: trial}}
  birch-hollow:
    name: Birch Hollow
    templates: hut
    agents: {birch-hollow-remote: {addresses: 127.9.50.2, community: trial}}
  cedar-ford:
    name: Cedar Ford
    templates: hut
    agents: {cedar-ford-remote: {addresses: 127.9.50.3, engine-id: 80007ed904636564617266, user: plain}}
  dock-lane:
    name: Dock Lane
    templates: hut
    agents: {dock-lane-remote: {addresses: 127.9.50.4, engine-id: 80007ed904646f636b6c6e, user: sha}}
  elm-rise:
    name: Elm Rise
    templates: hut
    agents: {elm-rise-remote: {addresses: 127.9.50.5, engine-id: 80007ed904656c6d7273, user: sha-aes}}
  fern-shaw:
    name: Fern Shaw
    templates: hut
    agents: {fern-shaw-remote: {addresses: 127.9.50.6, engine-id: 80007ed9046665726e73, user: sha256-aes}}
  gorse-heath:
    name: Gorse Heath
    templates: hut
    agents: {gorse-heath-remote: {addresses: 127.9.50.7, engine-id: 80007ed904676f727365, user: sha512-aes256}}
`,
}
