package access

import (
	"context"
	"net/http"
)

// Role is what somebody who was let in may do.
type Role int

// The roles. Each may do what the one before it may.
const (
	None    Role = iota // was not let in
	Look                // may read everything and change nothing
	Operate             // may give commands too
)

// String returns the role in plain words.
func (r Role) String() string {
	switch r {
	case Look:
		return "look"
	case Operate:
		return "operate"
	}
	return "none"
}

// roleKey is the context key of the role of a request.
type roleKey struct{}

// RoleOf returns what the sender of a request may do, so that a page can leave out
// what would be refused. It is None for a request that came by no gate.
func RoleOf(r *http.Request) Role {
	role, _ := r.Context().Value(roleKey{}).(Role)
	return role
}

// withRole returns the request with a role, which its connection learns.
func withRole(r *http.Request, role Role) *http.Request {
	if v, ok := r.Context().Value(visitorKey{}).(Visitor); ok {
		v.Proved(role)
	}
	return r.WithContext(context.WithValue(r.Context(), roleKey{}, role))
}
