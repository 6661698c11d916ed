package notify

import (
	"fmt"
	"slices"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/answer"
)

// Answer is what became of somebody's reply.
type Answer struct {
	Person string         // who replied; empty when the address is nobody's
	Act    *correlate.Act // what to do; nil when nothing
	Reply  string         // what to say to them, in one short line; empty when nothing: strangers get no answer
}

// Answer decides about a reply that came in over a gateway: the code of an
// open call-out, from an address of somebody who was told of it, takes the
// alarm. Anything else changes nothing. st is read only. The act may still be
// refused when it is applied, if somebody was faster.
func (p *Plan) Answer(st *correlate.State, gateway, from, reply string) Answer {
	who := p.byAddress(gateway, from)
	if who == nil {
		return Answer{}
	}
	code, ok := answer.Parse(reply, codeAlphabet)
	if !ok {
		return Answer{Person: who.ID, Reply: "Not understood. Answer with the code alone, like " + spell(1, 5) + "."}
	}
	o := byCode(st, code)
	if o == nil || !slices.ContainsFunc(o.Told, func(t correlate.Telling) bool { return t.Person == who.ID }) {
		return Answer{Person: who.ID, Reply: code + " is not the code of any alarm you were told of."}
	}
	switch o.State {
	case correlate.CallOutTaken:
		return Answer{Person: who.ID, Reply: fmt.Sprintf("%s was taken by %s.", code, p.nameOf(o.TakenBy))}
	case correlate.CallOutCleared:
		return Answer{Person: who.ID, Reply: code + " has cleared; there is nothing to take."}
	case correlate.CallOutWithdrawn:
		return Answer{Person: who.ID, Reply: code + " was withdrawn; there is nothing to take."}
	}
	return Answer{Person: who.ID, Reply: "You have taken " + code + ".",
		Act: &correlate.Act{Key: o.Key, Action: correlate.ActAcknowledge, Actor: who.ID, Via: gateway}}
}

func (p *Plan) byAddress(gateway, from string) *person {
	for i := range p.book.People {
		who := p.people[p.book.People[i].ID]
		if a, ok := who.at(gateway); ok && a.To == from {
			return who
		}
	}
	return nil
}

// nameOf returns how a person is called; an actor that is no person of the
// book is called what the journal calls him.
func (p *Plan) nameOf(id string) string {
	if who := p.people[id]; who != nil && who.Name != "" {
		return who.Name
	}
	return id
}

// byCode returns the call-out with a code: the open one, else the newest.
func byCode(st *correlate.State, code string) *correlate.CallOut {
	var found *correlate.CallOut
	for _, o := range st.CallOuts {
		if o.Code != code {
			continue
		}
		newer := found == nil || (found.State != correlate.CallOutOpen && (o.Opened.After(found.Opened) || (o.Opened.Equal(found.Opened) && o.ID > found.ID)))
		if o.State == correlate.CallOutOpen || newer {
			found = o
		}
	}
	return found
}
