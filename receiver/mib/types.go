package mib

// conventions are the textual conventions of RFC 2579, RFC 3411, RFC 3419, RFC
// 4001 and RFC 2863 that carry a hint or words, and those of SMIv1, so that a
// module is understood without the texts it imports. Hints are in the form of
// RFC 2579 section 3.1.
func conventions() map[string]*typeDef {
	truth := []Word{{1, "true"}, {2, "false"}}
	return map[string]*typeDef{
		"DisplayString":        {name: "OCTET STRING", hint: "255a"},
		"PhysAddress":          {name: "OCTET STRING", hint: "1x:"},
		"MacAddress":           {name: "OCTET STRING", hint: "1x:"},
		"DateAndTime":          {name: "OCTET STRING", hint: "2d-1d-1d,1d:1d:1d.1d,1a1d:1d"},
		"SnmpAdminString":      {name: "OCTET STRING", hint: "255t"},
		"InterfaceIndex":       {name: "Integer32", hint: "d"},
		"InterfaceIndexOrZero": {name: "Integer32", hint: "d"},
		"InetAddress":          {name: "OCTET STRING"},
		"InetAddressIPv4":      {name: "OCTET STRING", hint: "1d.1d.1d.1d"},
		"InetAddressIPv6":      {name: "OCTET STRING", hint: "2x:2x:2x:2x:2x:2x:2x:2x"},
		"InetAddressType": {name: "INTEGER", words: []Word{{0, "unknown"}, {1, "ipv4"}, {2, "ipv6"}, {3, "ipv4z"},
			{4, "ipv6z"}, {16, "dns"}}},
		"TruthValue": {name: "INTEGER", words: truth},
		"RowStatus": {name: "INTEGER", words: []Word{{1, "active"}, {2, "notInService"}, {3, "notReady"}, {4, "createAndGo"},
			{5, "createAndWait"}, {6, "destroy"}}},
		"StorageType": {name: "INTEGER", words: []Word{{1, "other"}, {2, "volatile"}, {3, "nonVolatile"}, {4, "permanent"}, {5, "readOnly"}}},
	}
}

// isBaseType reports whether a word is one of the types that need no definition: those of ASN.1 and of both
// SMIs.
func isBaseType(word string) bool {
	switch word {
	case "INTEGER", "OCTET STRING", "OBJECT IDENTIFIER", "BITS", "NULL", "Integer32", "Unsigned32", "Counter",
		"Counter32", "Counter64", "Gauge", "Gauge32", "TimeTicks", "IpAddress", "NetworkAddress", "Opaque", "SEQUENCE",
		"CHOICE":
		return true
	}
	return false
}
