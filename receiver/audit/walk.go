package audit

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/gosnmp/gosnmp"

	"example.net/standwatch/receiver/snmp"
)

// Bounds of one audit. A site's largest sheet has 176 points; an agent with
// more rows than this is asked for a narrower table.
const (
	maxRows     = 4096
	maxOctets   = 1 << 20
	maxRequests = 3 * maxRows
)

// Ends of a walk that left part of the table unread.
var (
	errLoop     = errors.New("its table loops: a name did not increase")
	errTooLong  = fmt.Errorf("its table has more than %d rows; the rest was not read", maxRows)
	errTooLarge = fmt.Errorf("its answers have more than %d octets; the rest was not read", maxOctets)
	errTooMany  = fmt.Errorf("it needs more than %d requests; the rest was not read", maxRequests)
)

// budget is what one audit may still take.
type budget struct {
	octets, requests int
}

// cell is one value of a column.
type cell struct {
	index string // what follows the column's identifier, as BER
	value snmp.Varbind
}

// column reads a column, or a scalar, to its end. What was read is returned
// with the error that kept it from the rest.
func (s *session) column(ctx context.Context, col snmp.OID, b *budget) (cells []cell, err error) {
	last, n := col, s.target.Repetitions
	for {
		if b.requests--; b.requests < 0 {
			return cells, errTooMany
		}
		p, err := s.next(ctx, last, n)
		switch {
		case err != nil:
			return cells, err
		case p.Error == gosnmp.TooBig && n > 1:
			n /= 2 // the rows do not fit one message
			continue
		case p.Error == gosnmp.NoSuchName:
			return cells, nil // the end of the agent's tree, in v1
		case p.Error != gosnmp.NoError:
			return cells, fmt.Errorf("it answers %s", p.Error)
		case len(p.Variables) == 0:
			return cells, errors.New("it answers with nothing in it")
		}
		for _, v := range p.Variables {
			name, err := snmp.ParseOID(v.Name)
			if err != nil {
				return cells, fmt.Errorf("it answers with a name that is none: %w", err)
			}
			if v.Type == gosnmp.EndOfMibView || !name.Under(col) {
				return cells, nil
			}
			if slices.Compare(name.Arcs(), last.Arcs()) <= 0 {
				return cells, errLoop
			}
			last = name
			if len(cells) == maxRows {
				return cells, errTooLong
			}
			vb, ok := varbind(v)
			if !ok {
				continue // a value of a type that no MIB has
			}
			if b.octets -= len(vb.Name) + len(vb.Value); b.octets < 0 {
				return cells, errTooLarge
			}
			cells = append(cells, cell{index: string(name[len(col):]), value: vb})
		}
	}
}

// next asks for what follows a name: n rows at once where the version can.
func (s *session) next(ctx context.Context, name snmp.OID, n int) (*gosnmp.SnmpPacket, error) {
	dotted := []string{name.String()}
	return s.request(ctx, func() (*gosnmp.SnmpPacket, error) {
		if s.target.Version == snmp.V1 {
			return s.lib.GetNext(dotted)
		}
		return s.lib.GetBulk(dotted, 0, uint32(n))
	})
}

// row is one row of a table.
type row struct {
	index string
	cells []snmp.Varbind // by column, those that are there
}

// table reads the columns of a question and joins them by index, in the order
// of the first column that has it.
func (s *session) table(ctx context.Context, q *Question, b *budget) ([]*row, error) {
	var rows []*row
	at := map[string]*row{}
	for _, col := range q.columns {
		cells, err := s.column(ctx, col, b)
		if err != nil {
			return nil, err
		}
		for _, c := range cells {
			if at[c.index] == nil {
				at[c.index] = &row{index: c.index}
				rows = append(rows, at[c.index])
			}
			at[c.index].cells = append(at[c.index].cells, c.value)
		}
	}
	return rows, nil
}

// only reads one row of a question by GET.
func (s *session) only(ctx context.Context, q *Question, index string) ([]*row, error) {
	names := make([]snmp.OID, len(q.columns))
	for i, col := range q.columns {
		names[i] = col + snmp.OID(index)
	}
	values, err := s.get(ctx, names...)
	if err != nil || len(values) == 0 {
		return nil, err
	}
	return []*row{{index: index, cells: values}}, nil
}
