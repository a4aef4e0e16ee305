package cli

import (
	"context"
	"encoding/json"
	"io"
	"os"

	"github.com/spf13/cobra"

	"thawtrail/internal/rehearse"
)

// rehearseCommand plays a night that nothing hangs on. It takes no data folder: each
// rehearsal makes its own and removes it.
func (d *console) rehearseCommand() *cobra.Command {
	listen := &flagOf{name: "listen", metavar: "ADDRESS", help: "where its agent answers commands; any free address when left out"}
	pages := &flagOf{name: "pages", metavar: "ADDRESS", help: "where its pages open on this machine; any free address when left out"}
	real := &flagOf{name: "real", metavar: "ADDRESS", help: "this laptop's real agent, whose alarms it tells (" + d.address + ")"}
	realPages := &flagOf{name: "real-pages", metavar: "URL", help: "where the real pages are, for the way back"}
	whileInput := &flagOf{name: "while-input", metavar: metaSwitch, help: "end when the standard input ends"}
	asJSON := jsonFlag()
	cmd := &cobra.Command{
		Use: "rehearse", Short: "Practise a night beside the real work: invented foal and bags, a hold, a reaction, no link", Example: "rehearse",
		Args: noArgs, DisableFlagsInUseLine: true,
	}
	bindFlags(cmd.Flags(), listen, pages, real, realPages, whileInput)
	bindCommon(cmd.Flags(), asJSON)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		ctx, cancel := context.WithCancel(cmd.Context())
		defer cancel()
		if whileInput.text() == "true" {
			go func() { _, _ = io.Copy(io.Discard, os.Stdin); cancel() }()
		}
		d.rehearses()
		cfg := rehearse.Config{
			Listen: listen.text(), Pages: pages.text(), Zone: d.zoneName, Real: d.address, RealPages: realPages.text(),
			Log: d.log(), Ready: d.rehearsalReady(asJSON.text() == "true"),
		}
		if real.given() {
			cfg.Real = real.text()
		}
		return rehearse.Run(ctx, cfg)
	}
	return cmd
}

// rehearsalReady says where a rehearsal answers: as one object on a line, for the agent
// that started it, or in words.
func (d *console) rehearsalReady(asJSON bool) func(rehearse.Place) {
	return func(p rehearse.Place) {
		if asJSON {
			_ = json.NewEncoder(d.bare).Encode(p) // nobody listens any more
			return
		}
		d.printf("open %s once, in this machine's browser\n", p.Pages)
		d.printf("its agent answers at %s: `thawtrail now --at %s`\n", p.Address, p.Address)
		d.printf("Ctrl-C throws it away: nothing of it stays on the disk\n")
	}
}
