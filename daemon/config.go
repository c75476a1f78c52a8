package main

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"beltwarden/config"
	"beltwarden/daemon/app"
	"beltwarden/daemon/wording"
	"beltwarden/serialio"
)

func newConfig() *cobra.Command {
	c := group(&cobra.Command{Use: "config", Short: "Write a configuration, check it, show an example, make a secret"})
	c.AddCommand(newConfigCheck(), newConfigNew(), newConfigSecret(), &cobra.Command{
		Use: "example", Short: "Print a complete configuration file with every key explained", Args: args(0, 0, ""),
		RunE: func(c *cobra.Command, _ []string) error {
			_, err := c.OutOrStdout().Write(config.Example())
			return err
		},
	})
	return c
}

func newConfigCheck() *cobra.Command {
	var connect bool
	c := &cobra.Command{
		Use: "check FILE", Short: "List every mistake in a configuration file", Args: args(1, 1, "one file"),
		Long: "check reads a configuration file and lists every mistake with its place. With\n" +
			"--connect it also opens the port and greets the board; it heats and moves nothing,\n" +
			"but opening a port restarts many boards: do not do it while one is printing.",
	}
	c.Flags().BoolVar(&connect, "connect", false, "also open the port and greet the board")
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		cfg, err := config.Load(args[0])
		if err != nil {
			return err
		}
		answer := configAnswer{File: args[0], Machine: cfg.Machine.Name, Port: cfg.Machine.Port, BaudRate: cfg.Machine.BaudRate,
			BeltAxis: cfg.Machine.BeltAxis.String(), Forward: cfg.Machine.Forward, Ledger: cfg.Ledger.Path}
		if answer.NotChecked, err = credentials(cfg); err != nil {
			return err
		}
		answer.Exposed = app.Exposed(args[0], cfg)
		if connect {
			if answer.Board, err = greet(c.Context(), cfg); err != nil {
				return err
			}
		}
		if *asJSON {
			return printJSON(c.OutOrStdout(), answer)
		}
		text := fmt.Sprintf("%s is valid: %s at %s, belt axis %s, forward %s\n", answer.File, answer.Machine, answer.Port, answer.BeltAxis, forwardText(answer.Forward))
		for _, n := range answer.NotChecked {
			text += "not checked: " + n + "\n"
		}
		if answer.Exposed != "" {
			text += "warning: " + answer.Exposed + "\n"
		}
		if b := answer.Board; b != nil {
			text += "the board answers: " + b.describe() + "\n"
		}
		_, err = fmt.Fprint(c.OutOrStdout(), text)
		return err
	}
	return c
}

// configAnswer is what config check prints with --json.
type configAnswer struct {
	File     string       `json:"file"`
	Machine  string       `json:"machine"`
	Port     string       `json:"port"`
	BaudRate int          `json:"baud"`
	BeltAxis string       `json:"belt_axis"`
	Forward  int          `json:"forward"`
	Ledger   string       `json:"ledger"`
	Board    *boardAnswer `json:"board,omitempty"`
	// Exposed says that others may read the file, and what credentials it may hold.
	Exposed string `json:"exposed,omitempty"`
	// NotChecked are settings that can only be checked where the service runs.
	NotChecked []string `json:"not_checked,omitempty"`
}

// credentials looks for what the service manager hands over. Outside the service there
// is none, which is no mistake.
func credentials(cfg *config.Settings) (notChecked []string, err error) {
	var missing []string
	for _, s := range cfg.Secrets() {
		name, ok := config.Credential(s.File)
		if !ok {
			continue
		}
		switch _, err := app.SecretPath(s.File); {
		case errors.Is(err, app.ErrNoManager):
			notChecked = append(notChecked, s.Field+" is the credential "+name+", which only the service gets (LoadCredential="+name+":/FILE)")
		case err != nil:
			missing = append(missing, s.Field+": "+err.Error())
		}
	}
	if len(missing) > 0 {
		return nil, &failure{status: exitConfig, err: fmt.Errorf("cannot use the configuration: %s missing", wording.Count(len(missing), "credential")),
			details: missing, hint: "give the service what is missing, or name a file instead"}
	}
	return notChecked, nil
}

// boardAnswer is what a board said when it was greeted.
type boardAnswer struct {
	Restarted    bool            `json:"restarted"`   // it announced a restart when the port was opened
	LastNumber   int64           `json:"last_number"` // its last accepted line number, -1 when not known
	Firmware     string          `json:"firmware,omitempty"`
	Capabilities map[string]bool `json:"capabilities"`
}

func (b *boardAnswer) describe() string {
	text := "firmware " + b.Firmware
	switch said := firmwareWords(b.Firmware); {
	case b.Firmware == "":
		text = "it does not name its firmware"
	case said["FIRMWARE_NAME"] != "":
		text = "firmware " + said["FIRMWARE_NAME"]
		if m := said["MACHINE_TYPE"]; m != "" {
			text += ", for a " + m
		}
	}
	if b.Restarted {
		text += "; it restarted when the port was opened"
	}
	return text
}

// aWord is a key in the answer to M115: capitals before a colon.
var aWord = regexp.MustCompile(`(?:^| )([A-Z][A-Z_]+):`)

// firmwareWords takes the answer to M115 apart: "FIRMWARE_NAME:x 1.0 MACHINE_TYPE:y".
func firmwareWords(answer string) map[string]string {
	words := map[string]string{}
	keys := aWord.FindAllStringSubmatchIndex(answer, -1)
	for i, k := range keys {
		end := len(answer)
		if i+1 < len(keys) {
			end = keys[i+1][0]
		}
		words[answer[k[2]:k[3]]] = strings.TrimSpace(answer[k[1]:end])
	}
	return words
}

// greetLimit bounds a greeting beyond what the connection itself waits for.
const greetLimit = 3 * time.Minute

// greet opens the port, gets into step with the board and asks what it is.
func greet(ctx context.Context, cfg *config.Settings) (b *boardAnswer, err error) {
	set := app.RunSettings(cfg)
	ctx, cancel := context.WithTimeout(ctx, greetLimit)
	defer cancel()
	port, err := serialio.OpenDevice(ctx, set.Port)
	if err != nil {
		return nil, err
	}
	conn := serialio.NewConn(port, set.Conn)
	defer func() {
		if cerr := conn.Close(); err == nil {
			err = cerr
		}
	}()
	b = &boardAnswer{Capabilities: map[string]bool{}}
	for {
		select {
		case <-ctx.Done():
			return nil, fmt.Errorf("cannot greet the board at %s: %w", set.Port.Path, context.Cause(ctx))
		case ev, open := <-conn.Events():
			switch {
			case !open:
				return nil, fmt.Errorf("cannot greet the board at %s: %w", set.Port.Path, serialio.ErrClosed)
			case ev.Kind == serialio.EventSynced:
				b.Restarted, b.LastNumber = ev.Reset, ev.LastNumber
				conn.SendControl(1, "M115")
			case ev.Kind == serialio.EventReport && ev.Reply.Kind == serialio.ReplyFirmware:
				b.Firmware = ev.Reply.Text
			case ev.Kind == serialio.EventReport && ev.Reply.Kind == serialio.ReplyCapability:
				b.Capabilities[ev.Reply.Capability] = ev.Reply.CapabilityOn
			case ev.Kind == serialio.EventLost:
				return nil, fmt.Errorf("cannot greet the board at %s: %w", set.Port.Path, ev.Err)
			case ev.Kind == serialio.EventDone:
				return b, nil
			}
		}
	}
}

// forwardText is the belt's direction as the configuration says it.
func forwardText(sign int) string {
	if sign == 0 {
		return "unknown: no part can be made before it was found (beltwarden setup)"
	}
	return fmt.Sprintf("%+d", sign)
}
