// Package mib gives names, enumeration words and display hints to object
// identifiers wherever the program shows them. The table is our own, of the
// objects that the shipped rule packs use; values come from the standards named
// beside them. It is immutable and safe for concurrent use.
package mib

import (
	"strconv"

	"example.net/standwatch/receiver/snmp"
)

// Object describes one node.
type Object struct {
	Name  string
	Hint  string         // DISPLAY-HINT (RFC 2579 section 3.1)
	Units string         // UNITS clause
	Words map[int]string // enumeration
}

// Names maps identifiers to objects.
type Names struct{ byOID map[string]Object }

var truth = map[int]string{1: "true", 2: "false"}

// Standard returns the built-in table.
func Standard() *Names {
	ifStatus := map[int]string{1: "up", 2: "down", 3: "testing", 4: "unknown", 5: "dormant", 6: "notPresent", 7: "lowerLayerDown"}
	table := map[string]Object{
		// RFC 3418
		"1.3.6.1.2.1.1.3":     {Name: "sysUpTime"},
		"1.3.6.1.6.3.1.1.4.1": {Name: "snmpTrapOID"},
		"1.3.6.1.6.3.1.1.4.3": {Name: "snmpTrapEnterprise"},
		"1.3.6.1.6.3.1.1.5.1": {Name: "coldStart"},
		"1.3.6.1.6.3.1.1.5.2": {Name: "warmStart"},
		"1.3.6.1.6.3.1.1.5.3": {Name: "linkDown"},
		"1.3.6.1.6.3.1.1.5.4": {Name: "linkUp"},
		"1.3.6.1.6.3.1.1.5.5": {Name: "authenticationFailure"},
		// RFC 3584
		"1.3.6.1.6.3.18.1.3": {Name: "snmpTrapAddress"},
		// RFC 2863
		"1.3.6.1.2.1.2.2.1.1":     {Name: "ifIndex"},
		"1.3.6.1.2.1.2.2.1.2":     {Name: "ifDescr", Hint: "255a"},
		"1.3.6.1.2.1.2.2.1.7":     {Name: "ifAdminStatus", Words: ifStatus},
		"1.3.6.1.2.1.2.2.1.8":     {Name: "ifOperStatus", Words: ifStatus},
		"1.3.6.1.2.1.31.1.1.1.1":  {Name: "ifName", Hint: "255a"},
		"1.3.6.1.2.1.31.1.1.1.18": {Name: "ifAlias", Hint: "255a"},
		// RFC 1628
		"1.3.6.1.2.1.33.1.2.2":     {Name: "upsSecondsOnBattery", Units: "seconds"},
		"1.3.6.1.2.1.33.1.2.3":     {Name: "upsEstimatedMinutesRemaining", Units: "minutes"},
		"1.3.6.1.2.1.33.1.6.2.1.1": {Name: "upsAlarmId"},
		"1.3.6.1.2.1.33.1.6.2.1.2": {Name: "upsAlarmDescr"},
		"1.3.6.1.2.1.33.1.9.7":     {Name: "upsConfigLowBattTime", Units: "minutes"},
		"1.3.6.1.2.1.33.2.1":       {Name: "upsTrapOnBattery"},
		"1.3.6.1.2.1.33.2.2":       {Name: "upsTrapTestCompleted"},
		"1.3.6.1.2.1.33.2.3":       {Name: "upsTrapAlarmEntryAdded"},
		"1.3.6.1.2.1.33.2.4":       {Name: "upsTrapAlarmEntryRemoved"},
		// The invented remote of the demonstration, under RFC 5612's number.
		"1.3.6.1.4.1.32473.10.0.1": {Name: "kbcContactChange"},
		"1.3.6.1.4.1.32473.10.0.2": {Name: "kbcAnalogReport"},
		"1.3.6.1.4.1.32473.10.0.3": {Name: "kbcEntryGranted"},
		"1.3.6.1.4.1.32473.10.0.4": {Name: "kbcHeartbeat"},
		"1.3.6.1.4.1.32473.10.0.5": {Name: "kbcAcknowledgedHere"},
		"1.3.6.1.4.1.32473.10.1.1": {Name: "kbcContactNumber"},
		"1.3.6.1.4.1.32473.10.1.2": {Name: "kbcContactState", Words: map[int]string{1: "alarm", 2: "normal"}},
		"1.3.6.1.4.1.32473.10.1.3": {Name: "kbcAnalogNumber"},
		"1.3.6.1.4.1.32473.10.1.4": {Name: "kbcAnalogValue"},
		"1.3.6.1.4.1.32473.10.1.5": {Name: "kbcCardNumber"},
		"1.3.6.1.4.1.32473.10.1.6": {Name: "kbcRemoteHealthy", Words: truth},
	}
	for i, name := range upsAlarms {
		table["1.3.6.1.2.1.33.1.6.3."+strconv.Itoa(i+1)] = Object{Name: name}
	}
	n := &Names{byOID: make(map[string]Object, len(table))}
	for dotted, o := range table {
		n.byOID[string(snmp.MustOID(dotted))] = o
	}
	return n
}

// upsAlarms are the upsWellKnownAlarms of RFC 1628 in order, from 1.
var upsAlarms = [...]string{"upsAlarmBatteryBad", "upsAlarmOnBattery", "upsAlarmLowBattery", "upsAlarmDepletedBattery", "upsAlarmTempBad",
	"upsAlarmInputBad", "upsAlarmOutputBad", "upsAlarmOutputOverload", "upsAlarmOnBypass", "upsAlarmBypassBad", "upsAlarmOutputOffAsRequested",
	"upsAlarmUpsOffAsRequested", "upsAlarmChargerFailed", "upsAlarmUpsOutputOff", "upsAlarmUpsSystemOff", "upsAlarmFanFailure", "upsAlarmFuseFailure",
	"upsAlarmGeneralFault", "upsAlarmDiagnosticTestFailed", "upsAlarmCommunicationsLost", "upsAlarmAwaitingPower", "upsAlarmShutdownPending",
	"upsAlarmShutdownImminent", "upsAlarmTestInProgress"}

// find returns the object that oid is, or is an instance of, and the index.
func (n *Names) find(oid snmp.OID) (Object, string, bool) {
	for end := len(oid); end > 0; end-- {
		if end < len(oid) && oid[end-1]&0x80 != 0 {
			continue
		}
		o, ok := n.byOID[string(oid[:end])]
		if !ok {
			continue
		}
		index := ""
		for _, arc := range oid.Rest(oid[:end]) {
			index += "." + strconv.FormatUint(uint64(arc), 10)
		}
		return o, index, true
	}
	return Object{}, "", false
}

// Name returns an identifier with its name, such as "ifIndex.7", or the dotted
// form when it has none.
func (n *Names) Name(oid snmp.OID) string {
	if o, index, ok := n.find(oid); ok {
		return o.Name + index
	}
	return oid.String()
}

// Value returns a varbind's value as a person reads it: with the enumeration's
// word, the display hint and the units of its object, and names for OIDs.
func (n *Names) Value(v snmp.Varbind) string {
	o, _, _ := n.find(snmp.OID(v.Name))
	if v.Tag == snmp.TagOID {
		return n.Name(snmp.OID(v.Value))
	}
	text := v.Text(o.Hint)
	if i, ok := v.Int(); ok && o.Words[int(i)] != "" {
		return o.Words[int(i)] + " (" + text + ")"
	}
	if o.Units != "" {
		text += " " + o.Units
	}
	return text
}
