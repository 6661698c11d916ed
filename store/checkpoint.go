package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"syscall"

	"example.net/standwatch/correlate"
)

const (
	checkpointFile  = "checkpoint"
	baseFile        = "base"
	checkpointMagic = "standwatch checkpoint 1\n"
)

// SaveCheckpoint keeps snap, so that the next start need not fold the whole
// journal. It replaces the checkpoint before it in one step.
func (s *Store) SaveCheckpoint(snap *correlate.Snapshot) error {
	if s.opts.ReadOnly {
		return ErrReadOnly
	}
	s.checkpoint.Lock()
	defer s.checkpoint.Unlock()
	if err := s.writeSnapshot(checkpointFile, snap); err != nil {
		return err
	}
	s.checkpointed = snap.Seq
	return nil
}

// Checkpointed returns the last record of the checkpoint that was last saved or
// loaded; 0 when there is none.
func (s *Store) Checkpointed() correlate.Seq {
	s.checkpoint.Lock()
	defer s.checkpoint.Unlock()
	return s.checkpointed
}

func (s *Store) writeSnapshot(name string, snap *correlate.Snapshot) error {
	buf := bytes.NewBufferString(checkpointMagic)
	if err := s.codec.enc.MarshalToBuffer(snap, buf); err != nil {
		return fmt.Errorf("encode %s: %w", name, err)
	}
	sum := sha256.Sum256(buf.Bytes())
	buf.Write(sum[:])
	if err := replaceFile(filepath.Join(s.dir, name), func(w io.Writer) error { _, err := buf.WriteTo(w); return err }); err != nil {
		return fmt.Errorf("write %s: %w", name, err)
	}
	return nil
}

// replaceFile has a file written beside the old one, syncs it and puts it in
// place.
func replaceFile(path string, write func(io.Writer) error) error {
	f, err := os.OpenFile(path+freshExt, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	err = write(f)
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(path+freshExt, path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(path+freshExt))
	}
	return syncDir(filepath.Dir(path))
}

// LoadCheckpoint returns the newest checkpoint, or nil when there is none that
// can be trusted: none at all, a damaged one, one of another fold version, or
// one that is ahead of the journal. The state is then rebuilt from the journal.
func (s *Store) LoadCheckpoint() (*correlate.Snapshot, error) {
	s.checkpoint.Lock()
	defer s.checkpoint.Unlock()
	snap, err := s.readSnapshot(checkpointFile)
	var damage *DamageError
	switch {
	case errors.Is(err, os.ErrNotExist):
		return nil, nil
	case errors.As(err, &damage):
		s.opts.Log.Warn().Err(err).Msg("the checkpoint is not used")
		return nil, nil
	case err != nil:
		return nil, err
	case snap.Fold != correlate.FoldVersion || snap.Seq > s.Last() || snap.Seq+1 < s.First():
		s.opts.Log.Info().Int("fold", snap.Fold).Uint64("seq", uint64(snap.Seq)).Msg("the checkpoint is not used")
		return nil, nil
	}
	s.checkpointed = snap.Seq
	return snap, nil
}

func (s *Store) readSnapshot(name string) (*correlate.Snapshot, error) {
	path := filepath.Join(s.dir, name)
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", name, err)
	}
	body := len(data) - sha256.Size
	if body < len(checkpointMagic) || string(data[:len(checkpointMagic)]) != checkpointMagic {
		return nil, &DamageError{Path: path, What: "it does not begin as a checkpoint"}
	}
	if sum := sha256.Sum256(data[:body]); string(sum[:]) != string(data[body:]) {
		return nil, &DamageError{Path: path, What: "its checksum is wrong"}
	}
	snap, err := s.codec.decodeSnapshot(data[len(checkpointMagic):body])
	if err != nil {
		return nil, &DamageError{Path: path, What: err.Error()}
	}
	return snap, nil
}

// State returns the state of the whole journal: the newest checkpoint and what
// came after it.
func (s *Store) State(ctx context.Context) (*correlate.State, error) {
	snap, err := s.LoadCheckpoint()
	if err != nil {
		return nil, err
	}
	if snap == nil {
		return s.rebuild(ctx)
	}
	st := correlate.Restore(snap)
	return st, s.foldTail(ctx, st)
}

// rebuild folds the journal from its beginning, or from the state that was kept
// when older segments were dropped.
func (s *Store) rebuild(ctx context.Context) (*correlate.State, error) {
	st, err := s.base()
	if err != nil {
		return nil, err
	}
	return st, s.foldTail(ctx, st)
}

// base returns the state before the oldest segment.
func (s *Store) base() (*correlate.State, error) {
	snap, err := s.readSnapshot(baseFile)
	switch {
	case errors.Is(err, os.ErrNotExist) && s.First() == 1:
		return correlate.NewState(), nil
	case err != nil:
		return nil, err
	}
	return correlate.Restore(snap), nil
}

func (s *Store) foldTail(ctx context.Context, st *correlate.State) error {
	err := s.Scan(ctx, st.Seq+1, func(r *correlate.Record) error {
		if r.Seq != st.Seq+1 {
			return fmt.Errorf("fold record %d after %d: %w", r.Seq, st.Seq, ErrSequence)
		}
		st.Fold(r)
		return nil
	})
	if err != nil {
		return fmt.Errorf("rebuild state: %w", err)
	}
	return nil
}

// allocated returns the octets that a file occupies on disk.
func allocated(info os.FileInfo) int64 {
	if st, ok := info.Sys().(*syscall.Stat_t); ok {
		return st.Blocks * 512
	}
	return info.Size()
}
