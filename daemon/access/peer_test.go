package access

import (
	"context"
	"net/http/httptest"
	"testing"
)

// What is typed stands beside what the kernel knows, and cannot pass for it.
func TestWho(t *testing.T) {
	for _, c := range []struct{ known, said, want string }{
		{"", "", "an operator over the network"}, {"", "Anna", "Anna"}, {"", "Anna (root)", "Anna [root]"},
		{"maria", "", "maria"}, {"maria", "maria", "maria"}, {"maria", "Anna", "Anna (maria)"}, {"maria", "Anna (root)", "Anna [root] (maria)"},
	} {
		r := httptest.NewRequest("POST", "/", nil)
		if c.known != "" {
			r = r.WithContext(context.WithValue(r.Context(), peerKey{}, c.known))
		}
		if got := Actor(r, c.said); got != c.want {
			t.Errorf("%q said %q: %q, want %q", c.known, c.said, got, c.want)
		}
	}
}
