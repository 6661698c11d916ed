package audit

import (
	"fmt"
	"math"
	"slices"

	"example.net/standwatch/receiver/snmp"
)

// Columns of entPhySensorTable (RFC 3433 section 4).
var sensorColumns = [...]string{
	sensorType: "1.3.6.1.2.1.99.1.1.1.1", sensorScale: "1.3.6.1.2.1.99.1.1.1.2", sensorPrecision: "1.3.6.1.2.1.99.1.1.1.3",
	sensorValue: "1.3.6.1.2.1.99.1.1.1.4", sensorStatus: "1.3.6.1.2.1.99.1.1.1.5",
}

const (
	sensorType = iota
	sensorScale
	sensorPrecision
	sensorValue
	sensorStatus
)

// Values of EntitySensorDataType, EntitySensorDataScale and
// EntitySensorStatus, and the two values of entPhySensorValue that are no
// readings (RFC 3433 section 4).
const (
	sensorTruth     = 12
	scaleUnits      = 9 // 10^0; each step of the enumeration is a factor of 1000
	sensorOK        = 1
	sensorUnderflow = -1000000000
	sensorOverflow  = 1000000000
)

// scaleSensor replaces the raw value of a row of entPhySensorTable by the
// reading in its unit, so that points need not know the agent's scale. why says
// what is wrong when the row gives no reading; the value is then left out.
func scaleSensor(r *row) (why string) {
	var raw [len(sensorColumns)]int64
	at := -1
	has := func(column int) bool {
		name := snmp.MustOID(sensorColumns[column])
		for i, v := range r.cells {
			if !snmp.OID(v.Name).Under(name) {
				continue
			}
			n, ok := v.Int()
			if column == sensorValue {
				at = i
			}
			raw[column] = n
			return ok
		}
		return false
	}
	for column := range sensorColumns {
		if !has(column) {
			return "a column of the row is missing"
		}
	}
	reading, why := sensorReading(raw)
	if why != "" {
		r.cells = slices.Delete(slices.Clone(r.cells), at, at+1)
		if raw[sensorStatus] != sensorOK {
			return "" // the row says so itself
		}
		return why
	}
	r.cells = slices.Clone(r.cells)
	r.cells[at] = snmp.Double(snmp.OID(r.cells[at].Name), reading)
	return ""
}

// sensorReading computes the reading: value * 10^(3 * (scale - units)), of
// which a positive precision says how many digits are behind the point. A
// negative precision tells the number of exact digits and moves nothing.
func sensorReading(raw [len(sensorColumns)]int64) (reading float64, why string) {
	value, scale, precision := raw[sensorValue], raw[sensorScale], raw[sensorPrecision]
	switch {
	case raw[sensorStatus] != sensorOK:
		return 0, "the sensor gives no reading"
	case raw[sensorType] == sensorTruth:
		return float64(value), "" // true(1), false(2)
	case value <= sensorUnderflow || value >= sensorOverflow:
		return 0, fmt.Sprintf("the reading is beyond what the sensor can say (%d)", value)
	case scale < 1 || scale > 17 || precision < -8 || precision > 9:
		return 0, fmt.Sprintf("scale %d or precision %d is none of RFC 3433", scale, precision)
	}
	exponent := 3 * (scale - scaleUnits)
	if precision > 0 {
		exponent -= precision
	}
	// Dividing keeps tenths and hundredths exact where multiplying does not.
	if exponent < 0 {
		return float64(value) / math.Pow(10, float64(-exponent)), ""
	}
	return float64(value) * math.Pow(10, float64(exponent)), ""
}
