package configs

import "slices"

// probableCauses returns the mnemonics of IANAItuProbableCause (RFC 3877,
// IANA-ITU-ALARM-TC-MIB of 2004), spelt as registered, typing errors included.
func probableCauses() []string {
	return []string{
		// M.3100 communications, 1 to 26
		"aIS", "callSetUpFailure", "degradedSignal", "farEndReceiverFailure", "framingError", "lossOfFrame", "lossOfPointer", "lossOfSignal",
		"payloadTypeMismatch", "transmissionError", "remoteAlarmInterface", "excessiveBER", "pathTraceMismatch", "unavailable", "signalLabelMismatch",
		"lossOfMultiFrame", "receiveFailure", "transmitFailure", "modulationFailure", "demodulationFailure", "broadcastChannelFailure",
		"connectionEstablishmentError", "invalidMessageReceived", "localNodeTransmissionError", "remoteNodeTransmissionError", "routingFailure",
		// M.3100 equipment, 51 to 82
		"backplaneFailure", "dataSetProblem", "equipmentIdentifierDuplication", "externalIFDeviceProblem", "lineCardProblem", "multiplexerProblem",
		"nEIdentifierDuplication", "powerProblem", "processorProblem", "protectionPathFailure", "receiverFailure", "replaceableUnitMissing",
		"replaceableUnitTypeMismatch", "synchronizationSourceMismatch", "terminalProblem", "timingProblem", "transmitterFailure", "trunkCardProblem",
		"replaceableUnitProblem", "realTimeClockFailure", "antennaFailure", "batteryChargingFailure", "diskFailure", "frequencyHoppingFailure",
		"iODeviceError", "lossOfSynchronisation", "lossOfRedundancy", "powerSupplyFailure", "signalQualityEvaluationFailure", "tranceiverFailure",
		"protectionMechanismFailure", "protectingResourceFailure",
		// M.3100 environmental, 101 to 136
		"airCompressorFailure", "airConditioningFailure", "airDryerFailure", "batteryDischarging", "batteryFailure", "commercialPowerFailure",
		"coolingFanFailure", "engineFailure", "fireDetectorFailure", "fuseFailure", "generatorFailure", "lowBatteryThreshold", "pumpFailure",
		"rectifierFailure", "rectifierHighVoltage", "rectifierLowFVoltage", "ventilationsSystemFailure", "enclosureDoorOpen", "explosiveGas", "fire",
		"flood", "highHumidity", "highTemperature", "highWind", "iceBuildUp", "intrusionDetection", "lowFuel", "lowHumidity", "lowCablePressure",
		"lowTemperatue", "lowWater", "smoke", "toxicGas", "coolingSystemFailure", "externalEquipmentFailure", "externalPointFailure",
		// M.3100 processing error, 151 to 166
		"storageCapacityProblem", "memoryMismatch", "corruptData", "outOfCPUCycles", "sfwrEnvironmentProblem", "sfwrDownloadFailure", "lossOfRealTimel",
		"applicationSubsystemFailure", "configurationOrCustomisationError", "databaseInconsistency", "fileError", "outOfMemory", "softwareError",
		"timeoutExpired", "underlayingResourceUnavailable", "versionMismatch",
		// M.3100 quality of service, 201 to 207
		"bandwidthReduced", "congestion", "excessiveErrorRate", "excessiveResponseTime", "excessiveRetransmissionRate", "reducedLoggingCapability",
		"systemResourcesOverload",
		// X.733, 500 to 555
		"adapterError", "applicationSubsystemFailture", "bandwidthReducedX733", "callEstablishmentError", "communicationsProtocolError",
		"communicationsSubsystemFailure", "configurationOrCustomizationError", "congestionX733", "coruptData", "cpuCyclesLimitExceeded",
		"dataSetOrModemError", "degradedSignalX733", "dteDceInterfaceError", "enclosureDoorOpenX733", "equipmentMalfunction", "excessiveVibration",
		"fileErrorX733", "fireDetected", "framingErrorX733", "heatingVentCoolingSystemProblem", "humidityUnacceptable", "inputOutputDeviceError",
		"inputDeviceError", "lanError", "leakDetected", "localNodeTransmissionErrorX733", "lossOfFrameX733", "lossOfSignalX733",
		"materialSupplyExhausted", "multiplexerProblemX733", "outOfMemoryX733", "ouputDeviceError", "performanceDegraded", "powerProblems",
		"pressureUnacceptable", "processorProblems", "pumpFailureX733", "queueSizeExceeded", "receiveFailureX733", "receiverFailureX733",
		"remoteNodeTransmissionErrorX733", "resourceAtOrNearingCapacity", "responseTimeExecessive", "retransmissionRateExcessive", "softwareErrorX733",
		"softwareProgramAbnormallyTerminated", "softwareProgramError", "storageCapacityProblemX733", "temperatureUnacceptable", "thresholdCrossed",
		"timingProblemX733", "toxicLeakDetected", "transmitFailureX733", "transmiterFailure", "underlyingResourceUnavailable", "versionMismatchX733",
		// X.736 security, 600 to 615
		"authenticationFailure", "breachOfConfidentiality", "cableTamper", "delayedInformation", "denialOfService", "duplicateInformation",
		"informationMissing", "informationModificationDetected", "informationOutOfSequence", "keyExpired", "nonRepudiationFailure", "outOfHoursActivity",
		"outOfService", "proceduralError", "unauthorizedAccessAttempt", "unexpectedInformation",
		// 1024
		"other",
	}
}

// checkCause returns what is wrong with a probable cause, or nil.
func checkCause(word string, known []string) *fault {
	if slices.Contains(known, word) {
		return nil
	}
	mend := DidYouMean(word, known)
	if mend == "" {
		mend = "the names are those of IANAItuProbableCause (RFC 3877), such as commercialPowerFailure or enclosureDoorOpen; other fits anything"
	}
	return &fault{"unknown probable cause " + quoted(word), mend}
}

// causeRanges are the stretches of numbers of IANAItuProbableCause, in the
// order of [probableCauses], with the event type (IANAItuEventType) that M.3100
// groups them under; X.733 and X.736 are not grouped so.
var causeRanges = [...]struct {
	first, last int
	event       string
}{
	{1, 26, "communicationsAlarm"}, {51, 82, "equipmentAlarm"}, {101, 136, "environmentalAlarm"}, {151, 166, "processingErrorAlarm"},
	{201, 207, "qualityOfServiceAlarm"}, {500, 555, ""}, {600, 615, ""}, {1024, 1024, ""},
}

// CauseNumber returns the number of a probable cause (IANAItuProbableCause), or
// 0 when there is none of that name.
func CauseNumber(mnemonic string) int {
	i := slices.Index(probableCauses(), mnemonic)
	if i < 0 {
		return 0
	}
	for _, r := range causeRanges {
		if n := r.last - r.first + 1; i >= n {
			i -= n
			continue
		}
		return r.first + i
	}
	return 0
}

// CauseEvent returns the event type (IANAItuEventType) of a probable cause, or
// "" when it is not certain.
func CauseEvent(mnemonic string) string {
	n := CauseNumber(mnemonic)
	for _, r := range causeRanges {
		if n >= r.first && n <= r.last {
			return r.event
		}
	}
	return ""
}
