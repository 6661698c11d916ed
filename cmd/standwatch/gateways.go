package main

import (
	"slices"
	"time"

	"example.net/standwatch/configs"
	"example.net/standwatch/notify"
	"example.net/standwatch/notify/hook"
	"example.net/standwatch/notify/mail"
	"example.net/standwatch/notify/modem"
	"example.net/standwatch/notify/smpp"
	"example.net/standwatch/notify/smshttp"
	"example.net/standwatch/notify/snpp"
	"example.net/standwatch/notify/tap"
)

// gatewayChannels makes what sends over each configured gateway. A gateway that
// is the same as before keeps its channel, and with it its connection.
func (d *daemon) gatewayChannels(cfg *configs.Config) (map[string]notify.Channel, error) {
	d.mu.RLock()
	defer d.mu.RUnlock()
	return gatewayChannels(cfg, d.config.Gateways, d.channels)
}

func gatewayChannels(cfg *configs.Config, before []configs.Gateway, running map[string]notify.Channel) (map[string]notify.Channel, error) {
	channels := map[string]notify.Channel{}
	for _, g := range cfg.Gateways {
		if ch := running[g.Name]; ch != nil && slices.ContainsFunc(before, g.Same) {
			channels[g.Name] = ch
			continue
		}
		ch, err := gatewayChannel(g)
		if err != nil {
			return nil, err
		}
		channels[g.Name] = ch
	}
	return channels, nil
}

func gatewayChannel(g configs.Gateway) (notify.Channel, error) {
	switch {
	case g.Mail != nil:
		return mail.New(*g.Mail)
	case g.SMPP != nil:
		return smpp.New(*g.SMPP)
	case g.Modem != nil:
		return modem.New(*g.Modem)
	case g.SNPP != nil:
		return snpp.New(*g.SNPP)
	case g.TAP != nil:
		return tap.New(*g.TAP)
	case g.Hook != nil:
		return hook.New(*g.Hook, time.Now)
	}
	return smshttp.New(*g.SMS)
}
