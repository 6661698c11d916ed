package correlate

import (
	"strconv"
	"strings"
)

// Levels of an analog point beyond its limits.
const (
	LevelNormal      = ""
	LevelLow         = "low"
	LevelLowLow      = "low-low"
	LevelHigh        = "high"
	LevelHighHigh    = "high-high"
	LevelImplausible = "implausible"
)

// sensorInstance marks the alarm of a broken sensor apart from the alarms of
// what it measures.
const sensorInstance = "sensor"

// Engineering returns the value in engineering units for a raw reading.
func (p *Point) Engineering(raw float64) float64 {
	scale := p.Scale
	if scale == 0 {
		scale = 1
	}
	return raw*scale + p.Offset
}

// FormatValue writes a value with the point's decimals and unit.
func (p *Point) FormatValue(v float64) string {
	text := strconv.FormatFloat(v, 'f', p.Decimals, 64)
	if p.Unit != "" {
		text += " " + p.Unit
	}
	return text
}

// Level returns which limit v is beyond, coming from level cur. A limit that
// is already passed is left only when v is inside it by its dead band.
func (l Limits) Level(v float64, cur string) string {
	high := func(limit *Limit, beyond bool) bool {
		if limit == nil {
			return false
		}
		if beyond {
			return v > limit.At-limit.DeadBand
		}
		return v > limit.At
	}
	low := func(limit *Limit, beyond bool) bool {
		if limit == nil {
			return false
		}
		if beyond {
			return v < limit.At+limit.DeadBand
		}
		return v < limit.At
	}
	switch {
	case high(l.HighHigh, cur == LevelHighHigh):
		return LevelHighHigh
	case high(l.High, cur == LevelHigh || cur == LevelHighHigh):
		return LevelHigh
	case low(l.LowLow, cur == LevelLowLow):
		return LevelLowLow
	case low(l.Low, cur == LevelLow || cur == LevelLowLow):
		return LevelLow
	}
	return LevelNormal
}

func (l Limits) at(level string) *Limit {
	switch level {
	case LevelLow:
		return l.Low
	case LevelLowLow:
		return l.LowLow
	case LevelHigh:
		return l.High
	case LevelHighHigh:
		return l.HighHigh
	}
	return nil
}

// measure decides about a reading: a limit passed, left or worsened, or a
// sensor that cannot be believed.
func (e *Engine) measure(o *Observation, p *Point, in *Arrival) {
	cur := LevelNormal
	if r := e.st.Readings[o.Key]; r != nil {
		cur = r.Level
		if e.stale(r.Order, in, Value) != "" {
			e.emit(&Ignored{On: On{o.Key}, What: Value, Why: "late"})
			return
		}
	}
	v := p.Engineering(o.Value)
	if e.sensorFault(o, p, v) {
		return
	}
	level := p.Limits.Level(v, cur)
	e.emit(&Measured{On: On{o.Key}, Value: v, Level: level})
	a := e.st.Alarms[o.Key]
	reported := a != nil && (a.Standing && a.Wait == nil || a.Wait != nil && a.Wait.What == Raise)
	limit := p.Limits.at(level)
	switch {
	case limit == nil && a != nil && (a.Standing || a.Wait != nil):
		e.conditionWent(o.Key, p, p.Name+" "+p.FormatValue(v)+", back within limits", o.Audit)
	case limit != nil && (level != cur || !reported):
		e.conditionCame(o.Key, p, rise{Severity: limit.Severity, Text: limitText(p, v, level, limit), Since: e.r.OwnTime(), Audit: o.Audit})
	}
}

func limitText(p *Point, v float64, level string, limit *Limit) string {
	side := "above"
	if strings.HasPrefix(level, LevelLow) {
		side = "below"
	}
	return p.Name + " " + p.FormatValue(v) + ", " + side + " the " + level + " limit of " + p.FormatValue(limit.At)
}

// sensorFault raises or clears the fault of the sensor itself and reports
// whether the reading must not be believed.
func (e *Engine) sensorFault(o *Observation, p *Point, v float64) bool {
	if p.PlausibleMin == nil && p.PlausibleMax == nil {
		return false
	}
	k := o.Key
	k.Instance = strings.TrimPrefix(k.Instance+"."+sensorInstance, ".")
	if (p.PlausibleMin != nil && v < *p.PlausibleMin) || (p.PlausibleMax != nil && v > *p.PlausibleMax) || v != v {
		text := p.Name + ": the reading " + p.FormatValue(v) + " is not plausible, check the sensor"
		e.emit(&Measured{On: On{k}, Value: v, Level: LevelImplausible})
		if a := e.st.Alarms[k]; a == nil || !a.Standing {
			e.raise(k, e.worded(p, rise{Severity: Minor, Text: text, Since: e.r.OwnTime(), Audit: o.Audit}))
		}
		return true
	}
	if a := e.st.Alarms[k]; a != nil && a.Standing {
		e.emit(&Measured{On: On{k}, Value: v})
		e.clear(a, Wait{What: Clear, Since: e.r.OwnTime(), Text: p.Name + ": readings are plausible again", Audit: o.Audit})
	}
	return false
}
