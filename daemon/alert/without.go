package alert

import (
	"context"
	"crypto/rand"
	"fmt"
	"strings"
	"sync"
	"time"

	"beltwarden/supervisor/ledger"
)

// daemonDown is the kind of an alert that is sent while no daemon runs.
const daemonDown = "daemon_down"

// SendAll sends a text to all receivers at once, whatever their level, beside daemon,
// ledger and outbox: nobody would call a second one later. A receiver that does not take
// it is tried again until ctx ends. The errors are in the order of the receivers.
func SendAll(ctx context.Context, to []Receiver, words *Writer, text string, retry Retry) []error {
	now := time.Now()
	m := words.Several(Call{Now: now}, ledger.Alert{ID: "down-" + strings.ToLower(rand.Text()[:12]), Kind: daemonDown, Reason: daemonDown,
		Text: text, Stamp: ledger.Stamp{At: now}})
	errs := make([]error, len(to))
	var all sync.WaitGroup
	for i, r := range to {
		all.Go(func() { errs[i] = sendUntil(ctx, r, m, retry) })
	}
	all.Wait()
	return errs
}

// sendUntil tries until the receiver takes the message or ctx ends.
func sendUntil(ctx context.Context, to Notifier, m *Message, retry Retry) error {
	for tries := 1; ; tries++ {
		err := to.Notify(ctx, m)
		if err == nil {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("cannot reach %s: %w", to.Name(), err)
		case <-time.After(retry.wait(tries)):
		}
	}
}
