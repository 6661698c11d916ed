package mib

import (
	"testing"

	"example.net/standwatch/receiver/snmp"
)

func TestStandardTable(t *testing.T) {
	objects, err := parseTable(standardText)
	if err != nil {
		t.Fatal(err)
	}
	n := Standard()
	seen := map[snmp.OID]string{}
	for _, o := range objects {
		if before, taken := seen[o.OID]; taken {
			t.Errorf("%s and %s have the same identifier", before, o.Name)
		}
		seen[o.OID] = o.Name
		for _, name := range o.Objects {
			if n.byName[name] == nil {
				t.Errorf("%s carries %s, which is not in the table", o.Name, name)
			}
		}
	}
}

// TestStandardOIDs holds the table to values read from the documents that its
// module lines name.
func TestStandardOIDs(t *testing.T) {
	n := Standard()
	for name, want := range map[string]string{
		"sysUpTime": "1.3.6.1.2.1.1.3", "snmpTrapOID": "1.3.6.1.6.3.1.1.4.1", "snmpTrapEnterprise": "1.3.6.1.6.3.1.1.4.3",
		"snmpTrapAddress": "1.3.6.1.6.3.18.1.3", "snmpTrapCommunity": "1.3.6.1.6.3.18.1.4", "snmpEnableAuthenTraps": "1.3.6.1.2.1.11.30",
		"ifIndex": "1.3.6.1.2.1.2.2.1.1", "ifAdminStatus": "1.3.6.1.2.1.2.2.1.7", "ifOperStatus": "1.3.6.1.2.1.2.2.1.8",
		"ifDescr": "1.3.6.1.2.1.2.2.1.2", "ifName": "1.3.6.1.2.1.31.1.1.1.1", "ifAlias": "1.3.6.1.2.1.31.1.1.1.18",
		"coldStart": "1.3.6.1.6.3.1.1.5.1", "warmStart": "1.3.6.1.6.3.1.1.5.2", "linkDown": "1.3.6.1.6.3.1.1.5.3", "linkUp": "1.3.6.1.6.3.1.1.5.4",
		"authenticationFailure": "1.3.6.1.6.3.1.1.5.5", "egpNeighborLoss": "1.3.6.1.6.3.1.1.5.6",
		"upsTrapOnBattery": "1.3.6.1.2.1.33.2.1", "upsTrapTestCompleted": "1.3.6.1.2.1.33.2.2", "upsTrapAlarmEntryAdded": "1.3.6.1.2.1.33.2.3",
		"upsTrapAlarmEntryRemoved": "1.3.6.1.2.1.33.2.4", "upsAlarmOnBattery": "1.3.6.1.2.1.33.1.6.3.2", "upsAlarmTestInProgress": "1.3.6.1.2.1.33.1.6.3.24",
		"upsAlarmId": "1.3.6.1.2.1.33.1.6.2.1.1", "upsAlarmDescr": "1.3.6.1.2.1.33.1.6.2.1.2",
		"alarmActiveState": "1.3.6.1.2.1.118.0.2", "alarmClearState": "1.3.6.1.2.1.118.0.3", "alarmActiveModelPointer": "1.3.6.1.2.1.118.1.2.2.1.13",
		"alarmActiveResourceId": "1.3.6.1.2.1.118.1.2.2.1.10", "ituAlarmPerceivedSeverity": "1.3.6.1.2.1.121.1.1.1.1.1",
		"entStateOperEnabled": "1.3.6.1.2.1.131.0.1", "entStateOperDisabled": "1.3.6.1.2.1.131.0.2", "entConfigChange": "1.3.6.1.2.1.47.2.0.1",
		"risingAlarm": "1.3.6.1.2.1.16.0.1", "fallingAlarm": "1.3.6.1.2.1.16.0.2", "alarmFallingThreshold": "1.3.6.1.2.1.16.3.1.1.8",
		"hcRisingAlarm": "1.3.6.1.2.1.16.29.2.0.1", "hcFallingAlarm": "1.3.6.1.2.1.16.29.2.0.2",
		"bgpEstablishedNotification": "1.3.6.1.2.1.15.0.1", "bgpBackwardTransNotification": "1.3.6.1.2.1.15.0.2", "bgpPeerLastError": "1.3.6.1.2.1.15.3.1.14",
		"bgpEstablished": "1.3.6.1.2.1.15.7.1", "bgpBackwardTransition": "1.3.6.1.2.1.15.7.2",
		"newRoot": "1.3.6.1.2.1.17.0.1", "topologyChange": "1.3.6.1.2.1.17.0.2", "rpMauJabberTrap": "1.3.6.1.2.1.26.0.1", "ifMauJabberTrap": "1.3.6.1.2.1.26.0.2",
		"dsx1LineStatusChange": "1.3.6.1.2.1.10.18.15.0.1", "dsx1LineStatus": "1.3.6.1.2.1.10.18.6.1.10",
		"dsx3LineStatusChange": "1.3.6.1.2.1.10.30.15.0.1", "dsx3LineStatus": "1.3.6.1.2.1.10.30.5.1.10",
		"pethPsePortOnOffNotification": "1.3.6.1.2.1.105.0.1", "pethMainPowerUsageOnNotification": "1.3.6.1.2.1.105.0.2", "pethPsePortDetectionStatus": "1.3.6.1.2.1.105.1.1.1.6",
		"batteryChargingStateNotification": "1.3.6.1.2.1.233.0.1", "batteryDisconnectedNotification": "1.3.6.1.2.1.233.0.7",
		"batteryCellIdentifier": "1.3.6.1.2.1.233.1.1.1.25", "batteryTemperature": "1.3.6.1.2.1.233.1.1.1.18",
		"mteTriggerFired": "1.3.6.1.2.1.88.2.0.1", "mteTriggerFailure": "1.3.6.1.2.1.88.2.0.4",
	} {
		if got, ok := n.Lookup(name); !ok || got.String() != want {
			t.Errorf("%s is %s, want %s", name, got, want)
		}
	}
	for name, words := range map[string]map[int64]string{
		"ifOperStatus":              {1: "up", 7: "lowerLayerDown"},
		"upsTestResultsSummary":     {1: "donePass", 6: "noTestsInitiated"},
		"ituAlarmPerceivedSeverity": {1: "cleared", 2: "indeterminate", 3: "critical", 4: "major", 5: "minor", 6: "warning"}, // not RFC 8632's order
		"entStateAlarm":             {2: "critical", 6: "indeterminate"},
		"dsx1LineStatus":            {1: "RcvFarEndLOF", 6: "LossOfSignal", 16: "Ds2PerfThreshold"}, // worth 2, 64, 65536
		"dsx3LineStatus":            {6: "LOS", 11: "NetEquipOOS"},                                  // worth 64, 2048
		"bgpPeerState":              {6: "established"},
	} {
		for number, want := range words {
			oid, _ := n.Lookup(name)
			if got := n.Label(oid.Append(7), number); got != want {
				t.Errorf("%s %d is %q, want %q", name, number, got, want)
			}
		}
	}
}

func TestNamesBothWays(t *testing.T) {
	n := Standard()
	for written, want := range map[string]string{
		"ifIndex.7": "ifIndex.7", "IF-MIB::ifOperStatus.1.2": "ifOperStatus.1.2", "1.3.6.1.2.1.33.1.6.2.1.2.5": "upsAlarmDescr.5",
		"1.3.6.1.4.1.32473.60000": "enterprises.32473.60000", "1.2.840": "1.2.840", "linkDown": "linkDown",
	} {
		oid, ok := n.Lookup(written)
		if !ok || n.Name(oid) != want {
			t.Errorf("%s became %s (%s), want %s", written, n.Name(oid), oid, want)
		}
	}
	for _, wrong := range []string{"ifIndx", "ifIndex.x", "IF-MIB::nosuch", "", "1", "ifIndex.", "3.1"} {
		if oid, ok := n.Lookup(wrong); ok {
			t.Errorf("%q became %s", wrong, oid)
		}
	}
	for wrong, want := range map[string]string{"ifIndx": "ifIndex", "upsAlarmDesc": "upsAlarmDescr", "LinkDown": "linkDown", "zzzzzz": ""} {
		if got := n.Suggest(wrong); got != want {
			t.Errorf("%q: suggested %q, want %q", wrong, got, want)
		}
	}
	var none *Names
	if none.Name(snmp.MustOID("1.3.6")) != "1.3.6" || none.Suggest("x") != "" {
		t.Error("no names at all must still do")
	}
}

func TestValue(t *testing.T) {
	n := Standard()
	for _, c := range []struct {
		name  string
		tag   byte
		value string
		want  string
	}{
		{"ifOperStatus.7", snmp.TagInteger, "\x02", "down (2)"},
		{"ifOperStatus.7", snmp.TagInteger, "\x63", "99"},
		{"upsSecondsOnBattery.0", snmp.TagInteger, "\x3c", "60 seconds"},
		{"upsAlarmDescr.5", snmp.TagOID, string(snmp.MustOID("1.3.6.1.2.1.33.1.6.3.3")), "upsAlarmLowBattery"},
		{"entStateAlarm.1", snmp.TagOctetString, "\x28", "critical minor"},
		{"entStateAlarm.1", snmp.TagOctetString, "\x00", "none"},
		{"entStateAlarm.1", snmp.TagOctetString, "\x01", "bit 7"},
		{"dsx1LineStatus.1", snmp.TagInteger, "\x42", "RcvFarEndLOF LossOfSignal"},
		{"kestrelAnalogValue.201", snmp.TagInteger, "\xfd\xe4", "-54.0"},
		{"ifPhysAddress.1", snmp.TagOctetString, "\x00\x00\x5e\x00\x53\x01", "00:00:5e:00:53:01"},
	} {
		oid, ok := n.Lookup(c.name)
		if !ok {
			t.Fatal(c.name)
		}
		if got := n.Value(snmp.Varbind{Name: []byte(oid), Tag: c.tag, Value: []byte(c.value)}); got != c.want {
			t.Errorf("%s: got %q, want %q", c.name, got, c.want)
		}
	}
}
