package demo

import (
	"strconv"

	"github.com/gosnmp/gosnmp"

	"example.net/standwatch/cmd/standwatch/demo/wire"
)

// What the invented remote says, object by object; the numbers are those of
// the rule pack for it (enterprise 32473 is for examples, RFC 5612).
const (
	kestrel         = ".1.3.6.1.4.1.32473.10"
	trapContact     = kestrel + ".0.1"
	trapAnalog      = kestrel + ".0.2"
	trapEntry       = kestrel + ".0.4"
	trapHeartbeat   = kestrel + ".0.6"
	trapRestarted   = kestrel + ".0.7"
	objSequence     = kestrel + ".1.1.0"
	objRestart      = kestrel + ".1.4.0"
	objAlarmCount   = kestrel + ".1.5.0"
	objContact      = kestrel + ".2.1.1."
	objContactState = kestrel + ".2.1.2."
	objContactName  = kestrel + ".2.1.3."
	objAnalog       = kestrel + ".3.1.1."
	objAnalogValue  = kestrel + ".3.1.2."
	objAnalogUnit   = kestrel + ".3.1.3."
	objDoor         = kestrel + ".5.1.1."
	objCard         = kestrel + ".5.1.2."
	objEntryResult  = kestrel + ".5.1.3."

	linkDown = ".1.3.6.1.6.3.1.1.5.3" // RFC 2863 section 6
	linkUp   = ".1.3.6.1.6.3.1.1.5.4"
	ifTable  = ".1.3.6.1.2.1.2.2.1." // ifEntry (RFC 2863)
)

// Values of kestrelContactState, kestrelEntryResult and ifOperStatus.
const (
	contactAlarm  = 1
	contactNormal = 2
	entryGranted  = 1
	ifUp          = 1
	ifDown        = 2
)

func integer(name string, v int) gosnmp.SnmpPDU {
	return gosnmp.SnmpPDU{Name: name, Type: gosnmp.Integer, Value: v}
}

func octets(name, v string) gosnmp.SnmpPDU {
	return gosnmp.SnmpPDU{Name: name, Type: gosnmp.OctetString, Value: v}
}

// sequenced ends a notification with the remote's own count, which the caller
// has stepped.
func sequenced(trapOID string, seq uint32, vbs ...gosnmp.SnmpPDU) wire.Notification {
	return wire.Notification{TrapOID: trapOID, Varbinds: append(vbs, gosnmp.SnmpPDU{Name: objSequence, Type: gosnmp.Counter32, Value: seq})}
}

func contactChanged(seq uint32, number int, name string, alarm bool) wire.Notification {
	n, state := strconv.Itoa(number), contactNormal
	if alarm {
		state = contactAlarm
	}
	return sequenced(trapContact, seq, integer(objContact+n, number), integer(objContactState+n, state), octets(objContactName+n, name))
}

// analogReport carries tenths of the unit.
func analogReport(seq uint32, number, tenths int, unit string) wire.Notification {
	n := strconv.Itoa(number)
	return sequenced(trapAnalog, seq, integer(objAnalog+n, number), integer(objAnalogValue+n, tenths), octets(objAnalogUnit+n, unit))
}

func doorEntry(seq uint32, number int, card string) wire.Notification {
	n := strconv.Itoa(number)
	return sequenced(trapEntry, seq, integer(objDoor+n, number), octets(objCard+n, card), integer(objEntryResult+n, entryGranted))
}

func heartbeat(seq uint32, standing int) wire.Notification {
	return sequenced(trapHeartbeat, seq, gosnmp.SnmpPDU{Name: objAlarmCount, Type: gosnmp.Gauge32, Value: uint32(standing)})
}

func restarted(seq uint32) wire.Notification {
	return sequenced(trapRestarted, seq, integer(objRestart, 1))
}

// linkChanged is the generic trap of RFC 2863, which the hubs' routers send.
func linkChanged(index int, up bool) wire.Notification {
	i, oid, state := strconv.Itoa(index), linkDown, ifDown
	if up {
		oid, state = linkUp, ifUp
	}
	return wire.Notification{TrapOID: oid, Varbinds: []gosnmp.SnmpPDU{
		integer(ifTable+"1."+i, index), integer(ifTable+"7."+i, ifUp), integer(ifTable+"8."+i, state),
	}}
}
