package configs_test

import (
	"testing"

	"example.net/standwatch/configs"
)

// TestCauseNumbers: values of IANA-ITU-ALARM-TC-MIB (RFC 3877), the first and
// last of each stretch and some between.
func TestCauseNumbers(t *testing.T) {
	for mnemonic, want := range map[string]int{"aIS": 1, "routingFailure": 26, "backplaneFailure": 51, "protectingResourceFailure": 82, "airCompressorFailure": 101,
		"commercialPowerFailure": 106, "enclosureDoorOpen": 118, "smoke": 132, "externalPointFailure": 136, "storageCapacityProblem": 151, "versionMismatch": 166,
		"bandwidthReduced": 201, "systemResourcesOverload": 207, "adapterError": 500, "thresholdCrossed": 549, "versionMismatchX733": 555, "authenticationFailure": 600,
		"unexpectedInformation": 615, "other": 1024, "": 0, "nonsense": 0} {
		if got := configs.CauseNumber(mnemonic); got != want {
			t.Errorf("%s is %d, want %d", mnemonic, got, want)
		}
	}
	for mnemonic, want := range map[string]string{"smoke": "environmentalAlarm", "aIS": "communicationsAlarm", "adapterError": "", "nonsense": ""} {
		if got := configs.CauseEvent(mnemonic); got != want {
			t.Errorf("%s is a %s, want %s", mnemonic, got, want)
		}
	}
}
