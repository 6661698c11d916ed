package api

import (
	"context"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// Journal gives committed records. The store is one.
type Journal interface {
	// History returns the records that a query asks for, newest first.
	History(store.Query) (store.Page, error)
	// Get returns one record, or an error if it is not kept.
	Get(correlate.Seq) (*correlate.Record, error)
	// Scan calls fn with each record from a sequence number on, in order,
	// until it returns an error, which Scan then returns.
	Scan(ctx context.Context, from correlate.Seq, fn func(*correlate.Record) error) error
	// ScanEvents is Scan without the inputs, and faster; an input may be there.
	ScanEvents(ctx context.Context, from correlate.Seq, fn func(*correlate.Record) error) error
	// First returns the number of the oldest record that is kept.
	First() correlate.Seq
}

// Duty says who answers for a roster at the time asked for. No People means
// nobody does.
type Duty struct {
	Roster string    `json:"roster"`
	Name   string    `json:"name"`
	People []Person  `json:"people"`
	Until  time.Time `json:"until,omitzero"`
}

// Person is somebody on a roster.
type Person struct {
	ID   string `json:"id"`
	Name string `json:"name"`
}
