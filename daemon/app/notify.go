package app

import (
	"fmt"
	"net"
	"os"
)

// What the service manager is told.
const (
	notifyReady    = "READY=1"
	notifyStopping = "STOPPING=1"
)

// notify tells the service manager how far the daemon is, as in sd_notify(3). It
// does nothing when no service manager asked for that.
func notify(state string) error {
	path := os.Getenv("NOTIFY_SOCKET")
	if path == "" {
		return nil
	}
	// A leading @ names a socket in the abstract space; the net package reads it so.
	c, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		return fmt.Errorf("cannot tell the service manager %s: %w", state, err)
	}
	defer c.Close()
	if _, err := c.Write([]byte(state)); err != nil {
		return fmt.Errorf("cannot tell the service manager %s: %w", state, err)
	}
	return nil
}
