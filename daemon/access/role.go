package access

import (
	"context"
	"net/http"
)

// Role is what the sender of a request may do.
type Role int

// The roles. Each may do what the one before it may.
const (
	None    Role = iota // is not admitted
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
// what would be refused. It is None for a request that passed no gate.
func RoleOf(r *http.Request) Role {
	role, _ := r.Context().Value(roleKey{}).(Role)
	return role
}

// withRole returns the request with a role, and tells the role to its connection.
func withRole(r *http.Request, role Role) *http.Request {
	if v, ok := r.Context().Value(roleConnKey{}).(RoleConn); ok {
		v.Admitted(role)
	}
	return r.WithContext(context.WithValue(r.Context(), roleKey{}, role))
}
