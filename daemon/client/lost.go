package client

import (
	"errors"
	"fmt"
	"net/url"
)

// UnreachableError says that no daemon answers at an address.
type UnreachableError struct {
	Address string
	Err     error
}

// Error implements error.
func (e *UnreachableError) Error() string {
	return fmt.Sprintf("cannot reach the daemon at %s: %v; start it with: beltwarden serve --config FILE", e.Address, e.Err)
}

// Unwrap returns the cause.
func (e *UnreachableError) Unwrap() error { return e.Err }

// LostError says that the connection broke before the answer came: what was asked
// for may have been carried out.
type LostError struct {
	Address string
	Err     error
}

// Error implements error.
func (e *LostError) Error() string {
	return fmt.Sprintf("lost the reply of the daemon at %s: %v; it may or may not have carried out the request, see: beltwarden status", e.Address, e.Err)
}

// Unwrap returns the cause.
func (e *LostError) Unwrap() error { return e.Err }

// withoutURL takes the method and address off an error of the HTTP client, which its
// reader has no use for.
func withoutURL(err error) error {
	if u := new(url.Error); errors.As(err, &u) {
		return u.Err
	}
	return err
}
