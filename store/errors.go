package store

import (
	"errors"
	"fmt"
)

// The errors that callers branch on.
var (
	// ErrLocked is returned by Open when another process has the folder.
	ErrLocked = errors.New("the data folder is in use")
	// ErrFormat is returned by Open for a folder of a format that this program
	// does not know.
	ErrFormat = errors.New("the data folder has a format that this program does not know")
	// ErrNotFound is returned for a record that the journal does not hold.
	ErrNotFound = errors.New("no such record")
	// ErrSequence is returned by Append when the records do not follow the last.
	ErrSequence = errors.New("records out of sequence")
	// ErrRecord is returned by Append for a record that cannot be written down,
	// such as one with a time beyond the year 9999.
	ErrRecord = errors.New("record cannot be written")
	// ErrReadOnly is returned by whatever writes to a store opened for reading.
	ErrReadOnly = errors.New("the store is open for reading only")
)

// LockedError says who has the data folder. It is an [ErrLocked].
type LockedError struct {
	Dir  string
	PID  int    // 0 if not known
	Host string // empty if not known
}

// Error names the folder and its holder.
func (e *LockedError) Error() string {
	if e.PID == 0 {
		return fmt.Sprintf("data folder %s is in use by another process", e.Dir)
	}
	return fmt.Sprintf("data folder %s is in use by process %d on %s", e.Dir, e.PID, e.Host)
}

// Is reports whether target is ErrLocked.
func (e *LockedError) Is(target error) bool { return target == ErrLocked }

// DamageError says that a file of the data folder is not as it was written.
type DamageError struct {
	Path string
	What string
}

// Error names the file and the damage.
func (e *DamageError) Error() string { return fmt.Sprintf("%s is damaged: %s", e.Path, e.What) }
