package cli

import (
	"context"
	"errors"
	"fmt"
	"os/exec"
	"runtime"

	"github.com/spf13/cobra"

	"thawtrail/internal/trust/local"
	pb "thawtrail/proto/thawtrail/v1"
)

// serverAddress is where the clinic's server listens when nothing else was said.
const serverAddress = "127.0.0.1:4270"

// pageCommand prints a fresh address of the pages at any time: a browser that lost its
// session in the middle of a transfusion is back at once.
func (d *console) pageCommand() *cobra.Command {
	data := &flagOf{name: "data", metavar: "DIR", help: "folder of the agent or server whose pages are meant; found by its address when left out"}
	open := &flagOf{name: "open", metavar: metaSwitch, help: "open it in this machine's browser"}
	cmd := &cobra.Command{
		Use: "page", Short: "Open the pages: a fresh one-time address for this machine's browser", Example: "page --open",
		Args: noArgs, DisableFlagsInUseLine: true,
	}
	bindFlags(cmd.Flags(), open, data)
	l := d.bindLink(cmd.Flags())
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if err := l.find(data); err != nil {
			return err
		}
		answer := &pb.OpenPagesResponse{}
		if err := l.call(cmd.Context(), pb.PageService_OpenPages_FullMethodName, &pb.OpenPagesRequest{}, answer); err != nil {
			return err
		}
		if open.text() == "true" {
			if err := openInBrowser(cmd.Context(), answer.Pages[0].Url); err != nil {
				return errors.Join(d.tellPages(l, answer), fmt.Errorf("no browser could be opened (%w): open the address yourself", err))
			}
		}
		return d.tellPages(l, answer)
	}
	return cmd
}

// tellPages prints addresses, each on a line of its own, however long: they are copied.
func (d *console) tellPages(l *link, answer *pb.OpenPagesResponse) error {
	if l.json.text() == "true" {
		return d.answer(l.json, answer)
	}
	p := newPage(d.out)
	p.wrap("", "Open one of these once, in this machine's browser. They hold for ten minutes.")
	for _, a := range answer.Pages {
		p.line("  " + a.Part + "  " + a.Url)
	}
	return nil
}

// find takes the program that runs on a data folder; without one, that of --at or of
// this laptop, and where none runs, the clinic's server on this machine.
func (l *link) find(data *flagOf) error {
	if data.given() {
		door, err := local.OfData(data.text())
		if err != nil {
			return fmt.Errorf("no agent or server of this user runs on %s: %w", data.text(), err)
		}
		l.at.texts = []string{door.Address}
		return nil
	}
	if l.at.given() || l.d.address != defaultAddress {
		return nil
	}
	if _, err := local.OfAddress(defaultAddress); err == nil {
		return nil
	}
	if _, err := local.OfAddress(serverAddress); err == nil {
		l.at.texts = []string{serverAddress}
	}
	return nil
}

// openInBrowser hands an address to the browser that this system's user has chosen.
func openInBrowser(ctx context.Context, url string) error {
	words := map[string][]string{
		"windows": {"rundll32", "url.dll,FileProtocolHandler"},
		"darwin":  {"open"},
	}[runtime.GOOS]
	if words == nil {
		words = []string{"xdg-open"}
	}
	// #nosec G204 -- the program is one of three, and the address is ours
	return exec.CommandContext(ctx, words[0], append(words[1:], url)...).Run()
}
