package demo

import (
	"slices"

	"example.net/standwatch/cmd/standwatch/demo/wire"
	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver"
	"example.net/standwatch/receiver/snmp"
)

// Cast makes a simulated remote of every agent that the master is configured
// to know, so that what they say is taken: an agent with engine IDs sends v3
// traps, one that is known by its v3 users alone sends v3 informs, and the
// others take turns at v2c informs, v2c traps and v1 traps.
func Cast(net *correlate.Network, cfg receiver.Config) []Remote {
	turns := []Remote{{Version: snmp.V2c, Inform: true}, {Version: snmp.V2c}, {Version: snmp.V1}}
	var remotes []Remote
	for i, a := range cfg.Agents {
		agent := net.Agent(a.ID)
		if agent == nil || len(a.Addresses) == 0 {
			continue
		}
		r := turns[i%len(turns)]
		switch {
		case len(a.EngineIDs) > 0:
			r = Remote{Version: snmp.V3, Login: login(cfg, a)}
			r.Login.EngineID = a.EngineIDs[0]
		case a.MinLevel > 0 || len(a.Users) > 0:
			r = Remote{Version: snmp.V3, Inform: true, Login: login(cfg, a)}
		default:
			r.Community = community(cfg, a)
		}
		r.Agent, r.Site, r.Address, r.Heartbeat = a.ID, agent.Site, a.Addresses[0], agent.Heartbeat
		remotes = append(remotes, r)
	}
	return remotes
}

// login returns the first user that may speak for an agent.
func login(cfg receiver.Config, a receiver.Agent) wire.Login {
	for _, u := range cfg.Users {
		named := len(a.Users) == 0 || slices.Contains(a.Users, u.Name)
		here := len(u.EngineIDs) == 0 || len(a.EngineIDs) == 0 ||
			slices.ContainsFunc(u.EngineIDs, func(id []byte) bool { return slices.Equal(id, a.EngineIDs[0]) })
		if named && here {
			return wire.Login{User: u.Name, Auth: u.Auth, AuthSecret: u.AuthPass, Priv: u.Priv, PrivSecret: u.PrivPass}
		}
	}
	return wire.Login{}
}

// community returns the agent's own, else the first listener's.
func community(cfg receiver.Config, a receiver.Agent) string {
	if len(a.Communities) > 0 {
		return string(a.Communities[0])
	}
	for _, p := range cfg.Policies {
		if len(p.Communities) > 0 {
			return string(p.Communities[0])
		}
	}
	return ""
}
