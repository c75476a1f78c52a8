package app

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"go.uber.org/zap"

	"beltwarden/daemon/access"
	"beltwarden/daemon/alert"
	"beltwarden/supervisor"
)

// linksFor is how long a link in a message is good.
const linksFor = 24 * time.Hour

// linkKeyFile holds the key that signs links, beside the ledger.
const linkKeyFile = "links.key"

// openLinks prepares the links by which somebody who was called says "I am coming". Without an
// address that people reach from elsewhere there are none, and without a key messages go out
// without them.
func (a *App) openLinks() *access.Coming {
	if a.o.Config.Server.PublicURL == "" {
		return nil
	}
	key, err := linkKey(filepath.Dir(a.o.Config.Ledger.Path))
	if err != nil {
		a.log.Error("messages go out without a link that acknowledges", zap.Error(err))
		return nil
	}
	return &access.Coming{Key: key, Alert: a.calledAbout, Acknowledge: a.acknowledgeByLink}
}

// words are what messages are worded with while the daemon runs.
func (a *App) words() alert.Writer {
	w := alertWords(a.o.Config)
	if a.links != nil {
		w.ComingURL = a.comingURL
	}
	return w
}

// comingURL signs the address for a receiver of an alert.
func (a *App) comingURL(alert, receiver string) string {
	token := a.links.Key.Sign(access.Link{Alert: alert, Receiver: receiver, Until: time.Now().Add(linksFor)})
	return strings.TrimSuffix(a.o.Config.Server.PublicURL, "/") + access.ComingPath + token
}

// calledAbout returns an alert for the page of its link; nil for one that is not in the ledger.
func (a *App) calledAbout(ctx context.Context, id string) (*access.Called, error) {
	found, err := a.ledger.Alert(ctx, id)
	if found == nil || err != nil {
		return nil, err
	}
	last, err := a.ledger.LastResponse(ctx)
	if err != nil {
		return nil, err
	}
	words := a.words()
	machine, subject := words.Subject(*found)
	return &access.Called{Machine: machine, Subject: subject, Text: found.Text, Acted: last.Stamp.Seq > found.Stamp.Seq}, nil
}

// acknowledgeByLink records that somebody who got the link is coming.
func (a *App) acknowledgeByLink(ctx context.Context, l access.Link) error {
	_, err := a.run.Do(ctx, supervisor.Request{Acknowledge: true, By: "link sent to " + l.Receiver})
	if err != nil {
		a.log.Error("cannot record an acknowledgement by a link", zap.Error(err))
	}
	return err
}

// linkKey returns the key of a folder, and makes one where there is none. Whoever has it can say
// that somebody is coming, and nothing else.
func linkKey(folder string) (key access.LinkKey, err error) {
	path := filepath.Join(folder, linkKeyFile)
	take := func(text []byte) string {
		if len(text) != len(key) {
			return fmt.Sprintf("it holds %d bytes of %d; remove it, and the next start makes another", len(text), len(key))
		}
		copy(key[:], text)
		return ""
	}
	if err = readSecretFile(path, 0, take); !errors.Is(err, fs.ErrNotExist) {
		return key, err
	}
	rand.Read(key[:])
	return key, writeNew(path, key[:])
}

// writeNew writes a file whole or not at all, for the daemon's user alone.
func writeNew(path string, data []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*.part") // readable by this user alone
	if err != nil {
		return fmt.Errorf("cannot keep a key: %w", err)
	}
	defer os.Remove(f.Name())
	_, err = f.Write(data)
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("cannot keep a key: %w", err)
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return fmt.Errorf("cannot keep a key: %w", err)
	}
	return nil
}
