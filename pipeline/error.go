package pipeline

import (
	"errors"
	"fmt"
)

// Kind says what an error means for the job that met it. Kinds cross the
// wire: new ones are added at the end.
type Kind string

const (
	Source  Kind = "source"  // the input can't be used: a result like any other, never tried again
	House   Kind = "house"   // the house's own files are at fault: said to the user, nothing runs
	Infra   Kind = "infra"   // disk, network, store: tried again, no strike against the job
	Crash   Kind = "crash"   // the child died or hung: a strike; three are a quarantine
	Missing Kind = "missing" // something that should be in the store is not
	Bug     Kind = "bug"     // an assumption of our own failed: a strike too
)

// Error is what crosses packages: what was being done, what it means, why.
type Error struct {
	Op   string // "read 03-two-lanterns.flac"
	Kind Kind
	Err  error
}

func (e *Error) Error() string {
	if e.Op == "" {
		return e.Err.Error()
	}
	return fmt.Sprintf("%s: %v", e.Op, e.Err)
}

func (e *Error) Unwrap() error { return e.Err }

// Errorf makes an Error of a kind; op may be empty.
func Errorf(kind Kind, op, format string, args ...any) *Error {
	return &Error{Op: op, Kind: kind, Err: fmt.Errorf(format, args...)}
}

// KindOf is the kind of the first Error in err's chain, Infra where there is
// none: what nobody classified may pass, and is tried again.
func KindOf(err error) Kind {
	var e *Error
	if errors.As(err, &e) {
		return e.Kind
	}
	return Infra
}
