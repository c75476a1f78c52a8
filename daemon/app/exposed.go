package app

import (
	"fmt"
	"net/url"
	"os"
	"strings"

	"beltwarden/config"
)

// Exposed says that every user of the computer may read a configuration file that holds
// credentials, and where in it they are; "" where that is not so. Secrets in files of
// their own are judged when they are read.
func Exposed(path string, c *config.Settings) string {
	info, err := os.Stat(path)
	if path == "" || err != nil || info.Mode().Perm()&0o007 == 0 {
		return ""
	}
	var where []string
	note := func(kind string, i int, address string, header map[string]string) {
		u, err := url.Parse(address)
		switch {
		case len(header) > 0:
			where = append(where, fmt.Sprintf("%s[%d].header", kind, i))
		case err == nil && (u.User != nil || u.RawQuery != ""):
			where = append(where, fmt.Sprintf("%s[%d].url", kind, i))
		}
	}
	for i, h := range c.Alerts.Webhooks {
		note("alerts.webhooks", i, h.URL, h.Header)
	}
	for i, m := range c.Alerts.Alertmanagers {
		note("alerts.alertmanagers", i, m.URL, m.Header)
	}
	if len(where) == 0 {
		return ""
	}
	return fmt.Sprintf("every user of this computer can read %s, which may hold credentials in %s; remove that right: chmod o= %s",
		path, strings.Join(where, ", "), path)
}
