package supervisor

import "testing"

// TestNeeds: every need says all that is shown of it, and no two have one code.
func TestNeeds(t *testing.T) {
	seen := map[string]bool{}
	for _, n := range Needs() {
		if n.Code == "" || n.Name == "" || n.Headline == "" || n.Do == "" || n.Remedy == "" || n.due == nil {
			t.Errorf("%+v: something is missing", n)
		}
		if seen[n.Code] {
			t.Errorf("%s stands twice", n.Code)
		}
		seen[n.Code] = true
		if n.Ends != EndsUnrecorded && len(n.Bring) == 0 {
			t.Errorf("%s: a visit ends it, and nothing is brought", n.Code)
		}
	}
}
