package rules

import (
	"fmt"
	"slices"
	"strings"

	"cel.dev/cel-go/cel"
	celast "cel.dev/cel-go/common/ast"
	"cel.dev/cel-go/common/operators"

	"example.net/standwatch/correlate"
)

// Derivations compiles the conditions of derived points, which are CEL over the
// points of one site: stands["mains"] is whether the alarm of a point stands,
// value["temp-1"] the last reading of an analog point in its unit. Equal texts
// are compiled once. It is used by one goroutine; what it returns is safe for
// concurrent use.
type Derivations struct {
	env  *cel.Env
	made map[string]*correlate.Derivation
}

// Compile reads a condition. readings are the points whose value it asks for; a
// problem, which has no Pos, says what is wrong with it.
func (d *Derivations) Compile(written string) (out *correlate.Derivation, readings []correlate.Source, p *Problem) {
	bad := func(f *flaw) (*correlate.Derivation, []correlate.Source, *Problem) {
		return nil, nil, &Problem{What: f.what, Mend: f.mend, Part: Part{written, f.line, f.column}}
	}
	if err := d.setUp(); err != nil {
		return bad(&flaw{what: "CEL cannot be set up: " + err.Error()})
	}
	ast, issues := d.env.Compile(written)
	if issues.Err() != nil {
		first := issues.Errors()[0]
		return bad(flaw{what: "the condition is no CEL: " + first.Message, mend: `known are stands["point"], true while its alarm stands, and value["point"], its last reading`}.at(first.Location))
	}
	if ast.OutputType() != cel.BoolType {
		return bad(&flaw{what: fmt.Sprintf("the condition yields %s, not true or false", ast.OutputType()), mend: "compare it with something"})
	}
	standing, readings, wrong := sourcesOf(ast)
	switch {
	case wrong != nil:
		wrong.mend = `write each point out: [value["temp-1"], value["temp-2"]].filter(v, v > 30.0).size() >= 2`
		return bad(wrong)
	case len(standing)+len(readings) == 0:
		return bad(&flaw{what: "the condition looks at no point", mend: `look at one with stands["point"] or value["point"]`})
	}
	if made := d.made[written]; made != nil {
		return made, readings, nil
	}
	program, err := d.env.Program(ast, cel.EvalOptions(cel.OptOptimize), cel.CostLimit(costLimit))
	if err != nil {
		return bad(&flaw{what: "the condition cannot be prepared: " + err.Error()})
	}
	c := &derivation{program: program, standing: standing, readings: readings}
	made := &correlate.Derivation{Of: slices.Concat(standing, readings), Holds: c.holds, Written: written}
	d.made[written] = made
	return made, readings, nil
}

func (d *Derivations) setUp() (err error) {
	if d.env != nil {
		return nil
	}
	d.made = map[string]*correlate.Derivation{}
	d.env, err = cel.NewEnv(cel.CrossTypeNumericComparisons(true),
		cel.Variable("stands", cel.MapType(cel.StringType, cel.BoolType)), cel.Variable("value", cel.MapType(cel.StringType, cel.DoubleType)))
	return err
}

// sourcesOf lists the points that an expression looks at. They have to be
// written out, so that it is known when to compute anew and what is missing.
func sourcesOf(ast *cel.Ast) (standing, readings []correlate.Source, wrong *flaw) {
	maps, named := 0, 0
	visit := func(e celast.Expr) {
		if e.Kind() == celast.IdentKind && (e.AsIdent() == "stands" || e.AsIdent() == "value") {
			maps++
		}
		of, name, ok := sourceIn(e)
		if !ok {
			return
		}
		named++
		point, instance, _ := strings.Cut(name, ":")
		if !correlate.ValidID(point) {
			wrong = flaw{what: fmt.Sprintf("%q names no point", name)}.at(ast.NativeRep().SourceInfo().GetStartLocation(e.ID()))
			return
		}
		into := &standing
		if of == "value" {
			into = &readings
		}
		if s := (correlate.Source{Point: correlate.PointID(point), Instance: instance}); !slices.Contains(*into, s) {
			*into = append(*into, s)
		}
	}
	celast.PreOrderVisit(ast.NativeRep().Expr(), celast.NewExprVisitor(visit))
	if maps > named && wrong == nil {
		wrong = &flaw{what: "the condition does not say which points it looks at"}
	}
	return standing, readings, wrong
}

// sourceIn returns what stands["name"], value["name"], value.name or "name" in
// value looks at.
func sourceIn(e celast.Expr) (of, name string, ok bool) {
	if e.Kind() == celast.SelectKind && e.AsSelect().Operand().Kind() == celast.IdentKind {
		return e.AsSelect().Operand().AsIdent(), e.AsSelect().FieldName(), true
	}
	if e.Kind() != celast.CallKind || len(e.AsCall().Args()) != 2 {
		return "", "", false
	}
	over, key := e.AsCall().Args()[0], e.AsCall().Args()[1]
	switch e.AsCall().FunctionName() {
	case operators.Index:
	case operators.In:
		over, key = key, over
	default:
		return "", "", false
	}
	if over.Kind() != celast.IdentKind || key.Kind() != celast.LiteralKind {
		return "", "", false
	}
	name, ok = key.AsLiteral().Value().(string)
	return over.AsIdent(), name, ok
}

// derivation is a compiled condition.
type derivation struct {
	program            cel.Program
	standing, readings []correlate.Source
}

// holds evaluates the condition. What has no reading yet is not in value; a
// condition that asks for it all the same cannot be known.
func (c *derivation) holds(f correlate.Facts) (bool, error) {
	stands, value := make(map[string]bool, len(c.standing)), make(map[string]float64, len(c.readings))
	missing := ""
	for _, s := range c.standing {
		stands[written(s)] = f.Stands(s)
	}
	for _, s := range c.readings {
		if v, ok := f.Reading(s); ok {
			value[written(s)] = v
		} else if missing == "" {
			missing = written(s)
		}
	}
	out, _, err := c.program.Eval(map[string]any{"stands": stands, "value": value})
	switch {
	case err != nil && missing != "":
		return false, fmt.Errorf("there is no reading of %s yet", missing)
	case err != nil:
		return false, fmt.Errorf("compute the condition: %w", err)
	}
	return out.Value() == true, nil
}

func written(s correlate.Source) string {
	if s.Instance == "" {
		return string(s.Point)
	}
	return string(s.Point) + ":" + s.Instance
}
