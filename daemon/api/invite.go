package api

import (
	"errors"
	"net/http"

	"beltwarden/daemon/access"
	"beltwarden/daemon/client"
)

// InviteError says why no code to sign in was made, and what to do.
type InviteError struct{ Detail, Remedy string }

// Error implements error.
func (e *InviteError) Error() string { return e.Detail + "; " + e.Remedy }

// invite makes a code by which one browser signs in.
func (b *api) invite(w http.ResponseWriter, r *http.Request) error {
	var q client.InviteRequest
	if err := decode(r, &q); err != nil {
		return err
	}
	if q.Role != access.Look.String() && q.Role != access.Operate.String() {
		return &badRequest{http.StatusUnprocessableEntity, "field \"role\" is neither look nor operate", "say what the browser may do"}
	}
	v, err := b.Invite(q, access.Actor(r, ""))
	var no *InviteError
	if errors.As(err, &no) {
		return &badRequest{http.StatusConflict, no.Detail, no.Remedy}
	}
	if err != nil {
		return err
	}
	w.Header().Set("Cache-Control", "no-store")
	return answer(w, http.StatusOK, v)
}
