package store_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
	"example.net/standwatch/store/storetest"
)

// smallDisk mounts a small file system at dir, fills it while a store writes,
// makes room, and at last makes it read-only. It runs in a child with a mount
// namespace of its own.
func smallDisk(dir string) error {
	if err := unix.Mount("trial", dir, "tmpfs", 0, "size=6m"); err != nil {
		return fmt.Errorf("mount a small disk: %w", err)
	}
	data := filepath.Join(dir, "data")
	s, err := store.Open(data, store.Options{SegmentRecords: 2000})
	if err != nil {
		return err
	}
	m := storetest.NewMaker(7, 0)
	if err := s.Append(m.Records(500)); err != nil {
		return err
	}
	ballast := filepath.Join(dir, "ballast")
	for round := range 3 {
		if err := fillAndFree(s, m, ballast); err != nil {
			return fmt.Errorf("round %d: %w", round, err)
		}
	}
	if err := s.Close(); err != nil {
		return err
	}
	return readOnlyDisk(dir, data, s.Last())
}

// fillAndFree fills the disk up, has an append refused, and makes room again.
func fillAndFree(s *store.Store, m *storetest.Maker, ballast string) error {
	f, err := os.Create(ballast)
	if err != nil {
		return err
	}
	for err == nil {
		_, err = f.Write(make([]byte, 4096))
	}
	if closed := f.Close(); !errors.Is(err, unix.ENOSPC) || closed != nil {
		return fmt.Errorf("fill the disk: %w", errors.Join(err, closed))
	}
	batch := m.Records(900)
	last := s.Last()
	if err := s.Append(batch); !errors.Is(err, unix.ENOSPC) {
		return fmt.Errorf("an append to a full disk: %w", err)
	}
	if s.Last() != last || s.Settle() == nil {
		return errors.New("the full disk was not noticed")
	}
	if err := os.Remove(ballast); err != nil {
		return err
	}
	if err := s.Settle(); err != nil {
		return fmt.Errorf("after room was made: %w", err)
	}
	return s.Append(batch)
}

// readOnlyDisk reads everything back from a disk that takes no writes.
func readOnlyDisk(mount, data string, last correlate.Seq) error {
	if err := unix.Mount("trial", mount, "tmpfs", unix.MS_REMOUNT|unix.MS_RDONLY, ""); err != nil {
		return fmt.Errorf("make the disk read-only: %w", err)
	}
	if _, err := store.Open(data, store.Options{}); !errors.Is(err, unix.EROFS) {
		return fmt.Errorf("a store for writing on a read-only disk: %w", err)
	}
	s, err := store.Open(data, store.Options{ReadOnly: true})
	if err != nil {
		return fmt.Errorf("open for reading on a read-only disk: %w", err)
	}
	report, err := s.Verify(context.Background(), nil)
	if err != nil || !report.Good() || s.Last() != last || report.Records != uint64(last) {
		return fmt.Errorf("on the read-only disk: %d of %d records, %v %w", report.Records, last, report.Problems, err)
	}
	return s.Close()
}
