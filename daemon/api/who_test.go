package api

import (
	"context"
	"net"
	"net/http"
	"net/http/httptest"
	"os/user"
	"path/filepath"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"

	"beltwarden/daemon/access"
	"beltwarden/supervisor"
)

// TestWhoAsksIsKept: over the socket the name of the user that the kernel tells of stands
// beside whatever name is typed, on every route that takes one.
func TestWhoAsksIsKept(t *testing.T) {
	me, err := user.Current()
	if err != nil {
		t.Fatal(err)
	}
	clip, err := filepath.Abs(filepath.Join("..", "..", "testdata", "jobs", "stake-clip.gcode"))
	if err != nil {
		t.Fatal(err)
	}
	bodies := map[string]string{
		"/api/v1/alerts/acknowledge": `{"by":"Anna"}`,
		"/api/v1/commands":           `{"command":"hold","by":"Anna"}`,
		"/api/v1/checks":             `{"by":"Anna"}`,
		"/api/v1/scale":              `{"steps_per_mm":79.2,"now_steps_per_mm":80,"by":"Anna"}`,
		"/api/v1/setup/move":         `{"by":"Anna"}`,
		"/api/v1/setup/found":        `{"by":"Anna"}`,
		"/api/v1/trials/begin":       `{"by":"Anna"}`,
		"/api/v1/trials/end":         `{"by":"Anna"}`,
		"/api/v1/lots":               `{"jobs":["` + clip + `"],"good":[1],"by":"Anna"}`,
		"/api/v1/lots/{id}/end":      `{"reason":"enough","by":"Anna"}`,
	}
	b := setUp(t, upright)
	b.run.shot.Lot = &supervisor.LotView{ID: 4}
	server := httptest.NewUnstartedServer(b.Handler)
	server.Config.ConnContext = access.ConnContext
	_ = server.Listener.Close()
	if server.Listener, err = net.Listen("unix", filepath.Join(t.TempDir(), "s")); err != nil {
		t.Fatal(err)
	}
	socket := server.Listener.Addr().String()
	server.Start()
	defer server.Close()
	transport := &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return new(net.Dialer).DialContext(ctx, "unix", socket)
	}}
	defer transport.CloseIdleConnections()
	h := &http.Client{Transport: transport}
	doc, err := openapi3.NewLoader().LoadFromFile("openapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	asked := 0
	for path, item := range doc.Paths.Map() {
		o := item.Post
		if o == nil || o.RequestBody == nil || o.RequestBody.Value.Content["application/json"] == nil {
			continue
		}
		if o.RequestBody.Value.Content["application/json"].Schema.Value.Properties["by"] == nil {
			continue
		}
		if bodies[path] == "" {
			t.Errorf("%s takes a name, and is not tried", path)
			continue
		}
		res, err := h.Post("http://beltwarden"+strings.ReplaceAll(path, "{id}", "4"), "application/json", strings.NewReader(bodies[path]))
		if err != nil {
			t.Fatal(err)
		}
		_ = res.Body.Close()
		if asked++; len(b.run.asked) != asked {
			t.Fatalf("%s: %s, and the run was not asked", path, res.Status)
		}
		if by := b.run.asked[asked-1].By; by != "Anna ("+me.Username+")" {
			t.Errorf("%s: by %q", path, by)
		}
	}
	if asked != len(bodies) {
		t.Errorf("%d of %d routes were asked", asked, len(bodies))
	}
}
