package main

import (
	"context"
	"errors"

	"github.com/spf13/cobra"

	"beltwarden/daemon/client"
	"beltwarden/daemon/wording"
)

func newInvite() *cobra.Command {
	var q client.InviteRequest
	c := &cobra.Command{
		Use: "invite", Short: "Show a code by which a telephone signs in", Args: args(0, 0, ""),
		Long: "invite shows a QR code for the camera of a telephone, and a code to type on the page\n" +
			"that asks for the secret. Either signs one browser in, once, within ten minutes; the\n" +
			"secret itself is not sent. Whoever sees the code can use it: show it to nobody else.\n\n" +
			"The telephone must reach the daemon: the address is server.public_url, that of\n" +
			"server.listen if it is one in numbers, or --url.",
	}
	c.Flags().StringVar(&q.Role, "role", "look", "what the telephone may do: look, or operate, which heats and moves the machine")
	c.Flags().StringVar(&q.URL, "url", "", "scheme and host by which the telephone reaches the daemon, such as http://192.168.1.20:7353")
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		if q.Role != "look" && q.Role != "operate" {
			return usagef("cannot make a code: --role is %q; say look or operate", q.Role)
		}
		return withDaemon(c, func(ctx context.Context, d *client.Client) error {
			v, err := d.Invite(ctx, q)
			if err != nil {
				return err
			}
			if *asJSON {
				return printJSON(c.OutOrStdout(), v)
			}
			lines, err := invitationLines(v, style(c.OutOrStdout()))
			return errors.Join(err, printLines(c.OutOrStdout(), lines))
		})
	}
	return c
}

// invitationLines show a code as it is used; with an address of up to 53 characters they fit a terminal of 24 lines.
func invitationLines(v client.Invitation, st wording.Style) ([]string, error) {
	code, err := wording.QR(v.URL, st)
	if err != nil {
		return nil, err
	}
	may := "look at "
	if v.Role == "operate" {
		may = "heat and move "
	}
	lines := append([]string{"For a telephone that may " + may + wording.Printable(v.Machine) + ": scan this with its camera."}, code...)
	return append(lines, "Or open "+v.Login+" and type the code "+v.Code+".",
		"Good once, until "+v.Until.Local().Format("15:04")+"."), nil
}
