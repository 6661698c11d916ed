package rules

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common"
	celast "cel.dev/cel-go/common/ast"
	"cel.dev/cel-go/common/operators"
	"cel.dev/cel-go/common/types"

	"example.net/standwatch/receiver/mib"
	"example.net/standwatch/receiver/snmp"
)

// costLimit bounds one evaluation in CEL's own units: about as many steps. A
// condition over a few varbinds costs some tens.
const costLimit = 10_000

// conditions compiles CEL. The environment is made when the first rule needs
// it.
type conditions struct {
	env   *cel.Env
	names *mib.Names
}

// condition is a compiled when.
type condition struct {
	written string
	program cel.Program
	ast     *cel.Ast
	wanted  map[string]snmp.OID // the varbinds it asks for by name, nil when it may ask for any
}

func newEnv() (*cel.Env, error) {
	words := cel.MapType(cel.StringType, cel.StringType)
	facts := cel.MapType(cel.StringType, cel.DynType)
	return cel.NewEnv(
		cel.Variable("value", facts), cel.Variable("text", words), cel.Variable("index", words),
		cel.Variable("trap", cel.StringType), cel.Variable("oid", cel.StringType), cel.Variable("version", cel.StringType),
		cel.Variable("agent", cel.StringType), cel.Variable("site", facts),
	)
}

// flaw is what is wrong with a condition, and where in its text as in [Part].
type flaw struct {
	what, mend   string
	line, column int
}

// at says where in a text a flaw is. CEL counts columns from 0.
func (f flaw) at(l common.Location) *flaw {
	if l.Line() > 0 && l.Column() >= 0 {
		f.line, f.column = l.Line(), l.Column()+1
	}
	return &f
}

// compile reads a condition.
func (c *conditions) compile(written string) (*condition, *flaw) {
	const known = "known are value, text and index (maps by varbind), trap, oid, version, agent and site"
	if c.env == nil {
		env, err := newEnv()
		if err != nil {
			return nil, &flaw{what: "CEL cannot be set up: " + err.Error()}
		}
		c.env = env
	}
	ast, issues := c.env.Compile(written)
	if err := issues.Err(); err != nil {
		first := issues.Errors()[0]
		return nil, flaw{what: "the condition is no CEL: " + first.Message, mend: c.mendOf(written, first.Message, known)}.at(first.Location)
	}
	if ast.OutputType() != cel.BoolType && ast.OutputType() != cel.DynType {
		return nil, &flaw{what: fmt.Sprintf("the condition yields %s, not true or false", ast.OutputType()), mend: "compare it with something"}
	}
	wanted, wrong := c.varbinds(ast)
	if wrong != nil {
		return nil, wrong
	}
	program, err := c.env.Program(ast, cel.EvalOptions(cel.OptOptimize), cel.CostLimit(costLimit))
	if err != nil {
		return nil, &flaw{what: "the condition cannot be prepared: " + err.Error()}
	}
	return &condition{written: written, program: program, ast: ast, wanted: wanted}, nil
}

// undeclared is how CEL begins to say that it does not know a name.
const undeclared = "undeclared reference to '"

// mendOf suggests what was meant by a condition that CEL does not take.
func (c *conditions) mendOf(written, message, known string) string {
	if rest, found := strings.CutPrefix(message, undeclared); found {
		name, _, _ := strings.Cut(rest, "'")
		if _, object := c.names.Lookup(name); object {
			return fmt.Sprintf("write value[%q] for its value, text[%q] for what a person reads, index[%q] for its row", name, name, name)
		}
	}
	if strings.Contains(message, "(string, int)") && strings.Contains(written, "text[") {
		return "text[...] is what a person reads; write value[...] for the number"
	}
	return known
}

// varbinds lists the varbinds that an expression asks for by name, so that only
// they need be made at run time; nil if it may ask for any. A name that does not
// exist is a fault: it would otherwise only show when the notification comes.
func (c *conditions) varbinds(ast *cel.Ast) (wanted map[string]snmp.OID, wrong *flaw) {
	wanted = map[string]snmp.OID{}
	maps, named := 0, 0
	visit := func(e celast.Expr) {
		if isVarbindMap(e) {
			maps++
		}
		name, at, ok := varbindName(e)
		if !ok || wrong != nil {
			return
		}
		named++
		oid, known := c.names.Lookup(name)
		if !known {
			wrong = flaw{what: fmt.Sprintf("there is no object named %q", name), mend: nameMend(c.names, name)}.at(ast.NativeRep().SourceInfo().GetStartLocation(at.ID()))
		}
		wanted[name] = oid
	}
	celast.PreOrderVisit(ast.NativeRep().Expr(), celast.NewExprVisitor(visit))
	if maps > named {
		return nil, wrong
	}
	return wanted, wrong
}

func isVarbindMap(e celast.Expr) bool {
	return e.Kind() == celast.IdentKind && (e.AsIdent() == "value" || e.AsIdent() == "text" || e.AsIdent() == "index")
}

// varbindName returns the name in an expression value["name"], "name" in value
// or value.name, and the part of the expression that it stands in.
func varbindName(e celast.Expr) (name string, at celast.Expr, ok bool) {
	if e.Kind() == celast.SelectKind && isVarbindMap(e.AsSelect().Operand()) {
		return e.AsSelect().FieldName(), e, true
	}
	if e.Kind() != celast.CallKind || len(e.AsCall().Args()) != 2 {
		return "", nil, false
	}
	over, key := e.AsCall().Args()[0], e.AsCall().Args()[1]
	switch e.AsCall().FunctionName() {
	case operators.Index:
	case operators.In:
		over, key = key, over
	default:
		return "", nil, false
	}
	if !isVarbindMap(over) || key.Kind() != celast.LiteralKind {
		return "", nil, false
	}
	name, ok = key.AsLiteral().Value().(string)
	return name, key, ok
}

// holds evaluates a condition.
func (c *condition) holds(sc *scene) (bool, error) {
	out, _, err := c.program.Eval(&facts{n: sc.n, w: sc.w, names: sc.names, trap: sc.trapOID(), wanted: c.wanted})
	if err != nil {
		return false, err
	}
	held, ok := out.Value().(bool)
	if !ok {
		return false, fmt.Errorf("yields %s, not true or false", out.Type().TypeName())
	}
	return held, nil
}

// facts are a notification's facts as CEL sees them, made as they are asked for.
type facts struct {
	n     *snmp.Notification
	w     Where
	names *mib.Names
	trap  snmp.OID

	wanted map[string]snmp.OID
}

// Parent is part of CEL's Activation.
func (f *facts) Parent() cel.Activation { return nil }

// ResolveName is part of CEL's Activation.
func (f *facts) ResolveName(name string) (any, bool) {
	switch name {
	case "value":
		return eachVarbind(f, func(v *snmp.Varbind, _ []uint32) any { return celValue(v) }), true
	case "text":
		return eachVarbind(f, func(v *snmp.Varbind, _ []uint32) string { return f.plain(v) }), true
	case "index":
		return eachVarbind(f, func(_ *snmp.Varbind, index []uint32) string { return dotted(index) }), true
	case "trap":
		return f.names.Name(f.trap), true
	case "oid":
		return f.trap.String(), true
	case "version":
		return f.n.Version.String(), true
	case "agent":
		if f.w.Agent == nil {
			return "", true
		}
		return string(f.w.Agent.ID), true
	case "site":
		return siteFacts(f.w.Site), true
	}
	return nil, false
}

// eachVarbind maps the varbinds that a condition asks for by the names it uses,
// or all of them by name and by dotted OID, with and without the index. Of
// several of one object the first counts.
func eachVarbind[T any](f *facts, of func(v *snmp.Varbind, index []uint32) T) map[string]T {
	if f.wanted == nil {
		return everyVarbind(f, of)
	}
	out := make(map[string]T, len(f.wanted))
	sc := scene{n: f.n}
	for name, oid := range f.wanted {
		if v, ok := sc.varbind(&term{oid: oid}); ok {
			out[name] = of(v, snmp.OID(v.Name).Rest(oid))
		}
	}
	return out
}

func everyVarbind[T any](f *facts, of func(v *snmp.Varbind, index []uint32) T) map[string]T {
	out := make(map[string]T, 3*len(f.n.Varbinds))
	put := func(key string, v T) {
		if _, taken := out[key]; !taken {
			out[key] = v
		}
	}
	for i := range f.n.Varbinds {
		v := &f.n.Varbinds[i]
		full := snmp.OID(v.Name)
		o, index, known := f.names.Find(full)
		made := of(v, index)
		if known {
			put(o.Name, made)
			put(o.OID.String(), made)
		}
		put(full.String(), made)
	}
	return out
}

func (f *facts) plain(v *snmp.Varbind) string {
	sc := scene{n: f.n, w: f.w, names: f.names}
	o, _, _ := f.names.Find(snmp.OID(v.Name))
	return string(sc.appendValue(nil, v, o))
}

// celValue returns a value in CEL's terms: int, uint, double, string, bytes or
// null.
func celValue(v *snmp.Varbind) any {
	if n, ok := v.Int(); ok {
		return n
	}
	switch v.Tag {
	case snmp.TagOctetString:
		if utf8.Valid(v.Value) {
			return string(v.Value)
		}
		return append([]byte(nil), v.Value...)
	case snmp.TagOID:
		return snmp.OID(v.Value).String()
	case snmp.TagIPAddress, snmp.TagCounter64:
		return v.Text("")
	case snmp.TagOpaque:
		if f, ok := v.Float(); ok {
			return f
		}
		return append([]byte(nil), v.Value...)
	}
	return types.NullValue
}

func dotted(arcs []uint32) string {
	out := []byte(nil)
	for i, a := range arcs {
		if i > 0 {
			out = append(out, '.')
		}
		out = fmt.Appendf(out, "%d", a)
	}
	return string(out)
}
