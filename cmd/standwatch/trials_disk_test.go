//go:build trials

package main

import (
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// notReady reports whether the master says that it cannot do its work.
func (tr *trial) notReady() bool {
	res, err := http.Get("http://" + tr.console + "/readyz")
	if err != nil {
		return false
	}
	defer res.Body.Close()
	return res.StatusCode == http.StatusServiceUnavailable
}

// TestTrialFaultyDisk has every write of a loaded daemon fail for a while, as on
// a full disk, on one that became read-only and on one that is broken, then kills
// it.
func TestTrialFaultyDisk(t *testing.T) {
	t.Attr("promised", "the master says so and answers no inform meanwhile, goes on by itself, and has all that it answered after a kill -9")
	disk := newFaultyDisk(t)
	tr := newTrialOf(t, &trial{wrap: disk.wrap})
	answered := newAnswered()
	rounds, faults, lost, wrong := trialRounds(t, 4), 0, 0, 0
	for round := range rounds {
		stop := answered.load(t, tr, round)
		for _, fault := range []unix.Errno{unix.ENOSPC, unix.EROFS, unix.EIO} {
			faults++
			before := answered.count(round)
			tr.eventually(t, "informs are answered", func() bool { return answered.count(round) > before+30 })
			disk.fault.Store(int64(fault))
			tr.eventually(t, "the master says that it cannot write", tr.notReady)
			meanwhile := answered.count(round)
			asked := disk.calls.Load()
			tr.eventually(t, "it tried again a few times", func() bool { return disk.calls.Load() > asked+4 })
			if n := answered.count(round); n != meanwhile {
				wrong += n - meanwhile
				t.Errorf("%v: %d informs were answered while nothing could be written", fault, n-meanwhile)
			}
			disk.fault.Store(0)
			tr.eventually(t, "the master is well again", func() bool { return !tr.notReady() })
		}
		tr.kill(t)
		stop()
		tr.start(t)
		lost += answered.missing(t, tr)
	}
	t.Attr("tried", fmt.Sprintf("%d disks of %d kinds under load, %d kills -9, %d informs answered", faults, 3, rounds, len(answered.ids)))
	t.Attr("lost", fmt.Sprintf("%d; %d answered too early", lost, wrong))
}

// TestTrialSlowDisk has every sync of a loaded daemon take more than half a
// second, and kills it in the middle.
func TestTrialSlowDisk(t *testing.T) {
	t.Attr("promised", "the master says that its journal is slow, accounts for every datagram, and has all that it answered after a kill -9")
	const delay = 600 * time.Millisecond // and two of them a commit
	disk := newFaultyDisk(t)
	tr := newTrialOf(t, &trial{wrap: disk.wrap})
	answered := newAnswered()
	rounds, lost := trialRounds(t, 2), 0
	slow := func() bool {
		for id, a := range tr.alarms(t, "standing") {
			if strings.HasPrefix(id, "self:commit:slow") && a.Severity == "minor" {
				return true
			}
		}
		return false
	}
	for round := range rounds {
		disk.delay.Store(int64(delay))
		stop := answered.load(t, tr, round)
		tr.eventually(t, "the slow journal stands", slow)
		tr.eventually(t, "informs are answered all the same", func() bool { return answered.count(round) > 30 })
		tr.kill(t)
		stop()
		disk.delay.Store(0)
		tr.start(t)
		lost += answered.missing(t, tr)
		stop = answered.load(t, tr, round+1000)
		tr.eventually(t, "the journal is quick again", func() bool { return !slow() })
		stop()
		tr.eventually(t, "the books balance", func() bool { return tr.balanced(t) })
	}
	t.Attr("tried", fmt.Sprintf("%d times with %v for each sync under load, %d informs answered", rounds, delay, len(answered.ids)))
	t.Attr("lost", fmt.Sprint(lost))
}

// balanced reports whether every datagram that arrived is accounted for.
func (tr *trial) balanced(t *testing.T) bool {
	t.Helper()
	var books struct {
		Listeners []struct {
			Arrived uint64            `json:"arrived"`
			Accept  map[string]uint64 `json:"accepted"`
			Refused map[string]uint64 `json:"refused"`
		} `json:"listener"`
	}
	tr.get(t, "/api/v1/intake", &books)
	if len(books.Listeners) == 0 || books.Listeners[0].Arrived == 0 {
		t.Fatalf("no listener, or nothing arrived: %+v", books)
	}
	for _, l := range books.Listeners {
		sum := uint64(0)
		for _, fates := range []map[string]uint64{l.Accept, l.Refused} {
			for _, n := range fates {
				sum += n
			}
		}
		if sum != l.Arrived {
			return false
		}
	}
	return true
}
