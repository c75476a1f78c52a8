//go:build !linux || !amd64

package disk

// Under has no means on this kind of computer.
func Under(Fault, func()) (Report, error) { return Report{}, ErrNoMeans }
