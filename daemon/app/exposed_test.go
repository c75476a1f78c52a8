package app

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"beltwarden/config"
)

// A configuration that others may read is reported where it holds credentials, and only then.
func TestExposedConfiguration(t *testing.T) {
	path := filepath.Join(t.TempDir(), "machine.yaml")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	var plain, header, query, user config.Settings
	plain.Alerts.Webhooks = []config.Webhook{{URL: "http://192.0.2.7:9099/"}, {URLFile: "/etc/beltwarden/url"}}
	header.Alerts.Webhooks = []config.Webhook{{URL: "http://192.0.2.7/"}, {URL: "http://192.0.2.7/", Header: map[string]string{"Authorization": "Bearer x"}}}
	query.Alerts.Webhooks = []config.Webhook{{URL: "http://192.0.2.7/?token=x"}}
	user.Alerts.Alertmanagers = []config.Alertmanager{{URL: "http://ada:x@192.0.2.7/"}}
	for _, mode := range []os.FileMode{0o600, 0o640, 0o644, 0o604, 0o602} {
		if err := os.Chmod(path, mode); err != nil {
			t.Fatal(err)
		}
		others := mode&0o007 != 0
		for want, c := range map[string]*config.Settings{"alerts.webhooks[1].header": &header, "alerts.webhooks[0].url": &query, "alerts.alertmanagers[0].url": &user} {
			if got := Exposed(path, c); (got != "") != others || others && (!strings.Contains(got, want) || strings.Contains(got, "=x") || strings.Contains(got, ":x")) {
				t.Errorf("mode %o: %q, want %s", mode, got, want)
			}
		}
		if got := Exposed(path, &plain); got != "" {
			t.Errorf("mode %o, without credentials: %q", mode, got)
		}
	}
	if got := Exposed("", &header); got != "" {
		t.Errorf("without a file: %q", got)
	}
}
