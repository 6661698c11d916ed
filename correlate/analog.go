package correlate

import (
	"math"
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

// The instances of alarms that stand beside what a point measures: a sensor that
// cannot be believed, a value that moves too fast, one that does not move.
const (
	sensorInstance = "sensor"
	rateInstance   = "rate"
	stuckInstance  = "stuck"
)

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

// maxPast is how many samples are kept for the rate of change.
const maxPast = 9

// measure decides about a reading: a limit passed, left or worsened, a value
// that moves too fast or not at all, or a sensor that cannot be believed.
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
	moved := e.moves(o, p, v)
	stuck := p.Stuck != nil && !moved && e.r.At.Sub(e.st.Readings[o.Key].Still.At) >= p.Stuck.After
	e.emit(&Measured{On: On{o.Key}, Value: v, Level: level, Keep: e.keeps(o, p), Moved: moved})
	a := e.st.Alarms[o.Key]
	limit := p.Limits.at(level)
	switch {
	case limit == nil && a.reportedThere():
		e.conditionWent(o.Key, p, p.Name+" "+p.FormatValue(v)+", back within limits", o.Audit)
	case limit != nil && (level != cur || !a.reportedThere()):
		e.conditionCame(o.Key, p, rise{Severity: limit.Severity, Own: true, Text: limitText(p, v, level, limit), Since: e.r.OwnTime(), Audit: o.Audit,
			Measure: &Measure{Value: v, Limit: limit.At, Level: level, Unit: p.Unit}})
	}
	if p.Rate != nil {
		e.rateOf(o, p, v)
	}
	if p.Stuck != nil {
		e.beside(o, p, stuckInstance, stuck, rise{Severity: p.Stuck.Severity, Own: true, Text: p.Name + ": the reading has been still at " + p.FormatValue(v) + " for " + p.Stuck.After.String() + ", check the sensor",
			Measure: &Measure{Value: v, Limit: p.Stuck.By, Level: stuckInstance, Unit: p.Unit}}, p.Name+": the reading moves again")
	}
}

func limitText(p *Point, v float64, level string, limit *Limit) string {
	side := "above"
	if strings.HasPrefix(level, LevelLow) {
		side = "below"
	}
	return p.Name + " " + p.FormatValue(v) + ", " + side + " the " + level + " limit of " + p.FormatValue(limit.At)
}

// moves reports whether the value leaves what it has been still around, or is
// the first.
func (e *Engine) moves(o *Observation, p *Point, v float64) bool {
	if p.Stuck == nil {
		return false
	}
	r := e.st.Readings[o.Key]
	return r == nil || r.Still.At.IsZero() || math.Abs(v-r.Still.Value) > p.Stuck.By
}

// keeps reports whether the reading is kept for the rate of change: the samples
// lie apart by an eighth of the time that the rate is taken over, so that the
// ones kept cover it.
func (e *Engine) keeps(o *Observation, p *Point) bool {
	if p.Rate == nil {
		return false
	}
	r := e.st.Readings[o.Key]
	return r == nil || len(r.Past) == 0 || e.r.At.Sub(r.Past[len(r.Past)-1].At) >= p.Rate.Within/(maxPast-1)
}

// rateOf decides whether the value moved too far within the time that the limit
// gives.
func (e *Engine) rateOf(o *Observation, p *Point, v float64) {
	low, high := v, v
	for _, s := range e.st.Readings[o.Key].Past {
		if e.r.At.Sub(s.At) <= p.Rate.Within {
			low, high = min(low, s.Value), max(high, s.Value)
		}
	}
	back := 0.0
	if e.st.Alarms[beside(o.Key, rateInstance)].reportedThere() {
		back = p.Rate.DeadBand
	}
	rose := p.Rate.Rise > 0 && v-low > p.Rate.Rise-back
	fell := p.Rate.Fall > 0 && high-v > p.Rate.Fall-back
	moved, limit, verb := v-low, p.Rate.Rise, "rose"
	if fell && !rose {
		moved, limit, verb = high-v, p.Rate.Fall, "fell"
	}
	e.beside(o, p, rateInstance, rose || fell, rise{Severity: p.Rate.Severity, Own: true,
		Text:    p.Name + " " + verb + " by " + p.FormatValue(moved) + " within " + p.Rate.Within.String() + ", more than " + p.FormatValue(limit) + "; it is " + p.FormatValue(v),
		Measure: &Measure{Value: v, Limit: limit, Level: rateInstance, Unit: p.Unit}}, p.Name+" "+p.FormatValue(v)+", moving slowly again")
}

// beside returns the key of an alarm that stands beside the point's own.
func beside(k Key, instance string) Key {
	k.Instance = strings.TrimPrefix(k.Instance+"."+instance, ".")
	return k
}

// beside decides about a fault that stands beside the point's own alarm.
func (e *Engine) beside(o *Observation, p *Point, instance string, there bool, c rise, normal string) {
	k := beside(o.Key, instance)
	c.Since, c.Audit = e.r.OwnTime(), o.Audit
	switch was := e.st.Alarms[k].reportedThere(); {
	case there && !was:
		e.conditionCame(k, p, c)
	case !there && was:
		e.conditionWent(k, p, normal, o.Audit)
	}
}

// implausible reports whether a value cannot be believed.
func (p *Point) implausible(v float64) bool {
	return math.IsNaN(v) || math.IsInf(v, 0) || (p.PlausibleMin != nil && v < *p.PlausibleMin) || (p.PlausibleMax != nil && v > *p.PlausibleMax)
}

// sensorFault raises or clears the fault of the sensor itself and reports
// whether the reading must not be believed.
func (e *Engine) sensorFault(o *Observation, p *Point, v float64) bool {
	k := beside(o.Key, sensorInstance)
	if p.implausible(v) {
		e.emit(&Measured{On: On{k}, Value: v, Level: LevelImplausible})
		e.beside(o, p, sensorInstance, true, rise{Severity: Minor, Text: p.Name + ": the reading " + p.FormatValue(v) + " is not plausible, check the sensor",
			Measure: &Measure{Value: v, Level: LevelImplausible, Unit: p.Unit}}, "")
		return true
	}
	if e.st.Alarms[k].reportedThere() {
		e.emit(&Measured{On: On{k}, Value: v})
		e.beside(o, p, sensorInstance, false, rise{}, p.Name+": readings are plausible again")
	}
	return false
}

// isBeside reports whether an instance is that of an alarm that stands beside
// what the point measures.
func isBeside(instance string) bool {
	last := instance[strings.LastIndexByte(instance, '.')+1:]
	return last == sensorInstance || last == rateInstance || last == stuckInstance
}
