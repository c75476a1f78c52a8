//go:build !linux || !amd64

package baddisk

// Under has no means on this kind of computer.
func Under(Fault, func()) (Report, error) { return Report{}, ErrNoMeans }

// Bad is a disk on which a fault lies.
type Bad struct{}

// Begin has no means on this kind of computer.
func Begin(Fault) (*Bad, error) { return nil, ErrNoMeans }

// Here has none either.
func (*Bad) Here() error { return ErrNoMeans }

// End returns nothing.
func (*Bad) End() (Report, error) { return Report{}, ErrNoMeans }
