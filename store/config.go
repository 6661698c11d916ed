package store

import (
	"bytes"
	"fmt"
	"slices"
	"time"

	"go.etcd.io/bbolt"
)

const bucketConfigs = "configurations"

// ConfigFile is one file of a configuration.
type ConfigFile struct {
	Name string `cbor:"1,keyasint"` // below the configuration folder
	Text []byte `cbor:"2,keyasint"`
}

// Configuration is a configuration that was in force, as the journal names it
// by its hash.
type Configuration struct {
	Hash  string
	Kept  time.Time // when it was first kept
	Files []ConfigFile
}

// keptConfig is its form on disk.
type keptConfig struct {
	Kept  int64        `cbor:"1,keyasint"`
	Files []ConfigFile `cbor:"2,keyasint"`
}

// KeepConfiguration keeps the files of a configuration under its hash, once.
// Whoever journals the hash calls it first, so that every hash in the journal
// can be read back. Files must hold no secrets.
func (s *Store) KeepConfiguration(hash string, files []ConfigFile) error {
	if s.opts.ReadOnly {
		return ErrReadOnly
	}
	if known, err := s.keepsConfiguration(hash); err != nil || known {
		return err
	}
	plain, err := s.codec.enc.Marshal(&keptConfig{Kept: s.opts.Now().UnixNano(), Files: files})
	if err != nil {
		return fmt.Errorf("keep configuration %s: %w", hash, err)
	}
	packed := compress(s.zip, append([]byte{packPlain}, plain...))
	err = guard(folderFile, func() error {
		return s.folder.Update(func(tx *bbolt.Tx) error {
			b, err := tx.CreateBucketIfNotExists([]byte(bucketConfigs))
			if err != nil {
				return err
			}
			return b.Put([]byte(hash), packed)
		})
	})
	if err != nil {
		return fmt.Errorf("keep configuration %s: %w", hash, err)
	}
	return nil
}

func (s *Store) keepsConfiguration(hash string) (bool, error) {
	data, err := s.configuration(hash)
	return data != nil, err
}

// configuration returns the packed octets of a configuration, nil if none.
func (s *Store) configuration(hash string) ([]byte, error) {
	var data []byte
	err := guard(folderFile, func() error {
		return s.folder.View(func(tx *bbolt.Tx) error {
			if b := tx.Bucket([]byte(bucketConfigs)); b != nil {
				data = bytes.Clone(b.Get([]byte(hash)))
			}
			return nil
		})
	})
	return data, err
}

// Configuration returns the configuration of that hash, or [ErrNotFound].
func (s *Store) Configuration(hash string) (Configuration, error) {
	data, err := s.configuration(hash)
	if err == nil && data == nil {
		err = ErrNotFound
	}
	if err != nil {
		return Configuration{}, fmt.Errorf("get configuration %s: %w", hash, err)
	}
	return s.unpackConfiguration(hash, data)
}

func (s *Store) unpackConfiguration(hash string, data []byte) (Configuration, error) {
	damage := func(what string) (Configuration, error) {
		return Configuration{}, &DamageError{Path: folderFile, What: "configuration " + hash + ": " + what}
	}
	if len(data) < 2 {
		return damage("it is empty")
	}
	plain := data[1:]
	switch data[0] {
	case packPlain:
	case packZstd:
		var err error
		if plain, err = s.unzip.DecodeAll(plain, nil); err != nil {
			return damage(err.Error())
		}
	default:
		return damage(fmt.Sprintf("packing %d is not known", data[0]))
	}
	var k keptConfig
	if err := s.codec.dec.Unmarshal(plain, &k); err != nil {
		return damage(err.Error())
	}
	return Configuration{Hash: hash, Kept: time.Unix(0, k.Kept).UTC(), Files: k.Files}, nil
}

// Configurations lists the configurations that are kept, without their files,
// oldest first. One that cannot be read has a zero Kept.
func (s *Store) Configurations() ([]Configuration, error) {
	var out []Configuration
	err := guard(folderFile, func() error {
		return s.folder.View(func(tx *bbolt.Tx) error {
			b := tx.Bucket([]byte(bucketConfigs))
			if b == nil {
				return nil
			}
			return b.ForEach(func(k, v []byte) error {
				c, err := s.unpackConfiguration(string(k), v)
				if err != nil {
					c = Configuration{Hash: string(k)}
				}
				out = append(out, Configuration{Hash: c.Hash, Kept: c.Kept})
				return nil
			})
		})
	})
	if err != nil {
		return nil, fmt.Errorf("list configurations: %w", err)
	}
	slices.SortStableFunc(out, func(a, b Configuration) int { return a.Kept.Compare(b.Kept) })
	return out, nil
}
