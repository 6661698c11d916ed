package receiver

import (
	"bytes"

	"example.net/standwatch/receiver/snmp"
)

// count returns the agent's own count of its notifications, if it is known to
// have one and the notification carries it.
func (a *agent) count(n *snmp.Notification) (count uint32, ok bool) {
	if a.Sequence == "" {
		return 0, false
	}
	for i := range n.Varbinds {
		if v := &n.Varbinds[i]; bytes.HasPrefix(v.Name, []byte(a.Sequence)) {
			u, ok := v.Uint()
			return uint32(u), ok
		}
	}
	return 0, false
}
