package screen

import (
	"bytes"
	"context"
	"html/template"
	"strings"

	"beltwarden/daemon/wording"
)

// sectionNames are the sections of the screen in their order, which is that of the
// operator's questions. Each is replaced as a whole when it changes.
var sectionNames = []string{"next", "act", "alerts", "count", "where", "belt", "drift", "size", "heat", "line", "supply", "happened"}

// fragments makes all sections as the run stands now.
func (sc *screen) fragments(ctx context.Context) (*fragments, error) {
	s := sc.Run.Snapshot()
	events, err := sc.Ledger.Journal(ctx, 14)
	if err != nil {
		return nil, err
	}
	channels, err := sc.Alerts(ctx)
	if err != nil {
		return nil, err
	}
	views := map[string]any{
		"next": nextOf(s), "act": actionsOf(s), "alerts": alertsOf(channels, s.At), "count": countOf(s), "where": whereOf(s),
		"belt": sc.beltOf(s), "drift": driftOf(s), "size": sizesOf(s), "heat": heatOf(s), "line": sc.lineOf(s), "supply": supplyOf(s),
		"happened": eventsOf(events, s.At),
	}
	f := &fragments{html: map[string]string{}}
	for name, v := range views {
		var text bytes.Buffer
		if err := sc.pages["sections"].ExecuteTemplate(&text, name, v); err != nil {
			return nil, err
		}
		f.html[name] = strings.TrimSpace(text.String())
	}
	return f, nil
}

// functions are those of the templates.
var functions = template.FuncMap{
	"html": func(text string) template.HTML { return template.HTML(text) }, //nolint:gosec // made by our own templates and charts
	"add":  func(a, b int) int { return a + b },
	"join": strings.Join,
	"now":  func(path, here string) bool { return path == here || here != "/" && strings.HasPrefix(path, here+"/") },
}

// sentence begins a text with a capital letter.
var sentence = wording.Sentence
