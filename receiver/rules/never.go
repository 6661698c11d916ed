package rules

import (
	"cel.dev/cel-go/cel"
	celast "cel.dev/cel-go/common/ast"
	"cel.dev/cel-go/common/types"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/snmp"
)

// A condition that is false whatever a notification carries never lets its rule
// win: for no agent that is configured, and for none of the notifications that
// the rule is on. That is found by evaluating it with what is known at load, and
// the varbinds unknown (CEL's partial evaluation).

// variables lists which of CEL's variables an expression names.
func variables(ast *cel.Ast) map[string]bool {
	named := map[string]bool{}
	celast.PreOrderVisit(ast.NativeRep().Expr(), celast.NewExprVisitor(func(e celast.Expr) {
		if e.Kind() == celast.IdentKind {
			named[e.AsIdent()] = true
		}
	}))
	return named
}

// never notes a rule that cannot win: a mistake if its condition is always false,
// a finding if that is so only because no site or agent is of the kind; one may
// have gone, and must not keep a reload from being done.
func (c *compiler) never(r *rule, keys []snmp.OID) {
	named := variables(r.when.ast)
	speakers := c.speakers(named)
	switch {
	case len(speakers) == 0 || c.mayWin(r, keys, named, speakers):
	case named["site"] || named["agent"]:
		c.bad(r.spec.At.of("when", r.spec.Pos), "leave the rule out, or mend its condition", "can never match: its condition is true for no agent that is configured")
		c.problems[len(c.problems)-1].Finding = true
	default:
		c.bad(r.spec.At.of("when", r.spec.Pos), "leave the rule out, or mend its condition", "can never match: its condition is always false")
	}
}

// mayWin reports whether a rule's condition may be true for one of the speakers
// and one of the notifications that the rule is on.
func (c *compiler) mayWin(r *rule, keys []snmp.OID, named map[string]bool, speakers []knownSpeaker) bool {
	program, err := c.conditions.env.Program(r.when.ast, cel.EvalOptions(cel.OptPartialEval), cel.CostLimit(costLimit))
	if err != nil {
		return true // it was compiled before, without partial evaluation
	}
	for _, traps := range c.trapsOf(r, keys, named) {
		for _, who := range speakers {
			known := map[string]any{}
			unknown := []string{"value", "text", "index", "version"}
			add := func(name string, v any) {
				if v == nil {
					unknown = append(unknown, name)
				} else {
					known[name] = v
				}
			}
			add("trap", traps.name)
			add("oid", traps.oid)
			add("site", who.site)
			add("agent", who.agent)
			if mayHold(program, known, unknown) {
				return true
			}
		}
	}
	return false
}

func mayHold(program cel.Program, known map[string]any, unknown []string) bool {
	var patterns []*cel.AttributePatternType
	for _, name := range unknown {
		patterns = append(patterns, cel.AttributePattern(name))
	}
	vars, err := cel.PartialVars(known, patterns...)
	if err != nil {
		return true
	}
	out, _, err := program.Eval(vars)
	// An error gives way at run time, too, but may be the varbinds' doing.
	return err != nil || out != types.False
}

// knownTrap is a notification as a condition sees it; nil is any.
type knownTrap struct{ name, oid any }

func (c *compiler) trapsOf(r *rule, keys []snmp.OID, named map[string]bool) []knownTrap {
	if r.subtree() || !named["trap"] && !named["oid"] {
		return []knownTrap{{}}
	}
	var out []knownTrap
	for _, oid := range keys {
		out = append(out, knownTrap{c.names.Name(oid), oid.String()})
	}
	return out
}

// knownSpeaker is where a notification may come from; nil is any.
type knownSpeaker struct{ site, agent any }

func (c *compiler) speakers(named map[string]bool) []knownSpeaker {
	if !named["site"] && !named["agent"] {
		return []knownSpeaker{{}}
	}
	if c.network == nil {
		return nil
	}
	var out []knownSpeaker
	for _, id := range c.network.Sites() {
		site := c.network.Site(id)
		for _, agent := range site.Agents {
			out = append(out, knownSpeaker{siteFacts(site), string(agent)})
		}
	}
	return out
}

// siteFacts is a site as conditions see it.
func siteFacts(s *correlate.Site) map[string]any {
	return map[string]any{"id": string(s.ID), "name": s.Name, "region": s.Region, "crew": s.Crew, "tags": s.Tags}
}
