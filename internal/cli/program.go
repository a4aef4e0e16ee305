package cli

import (
	"context"
	"log/slog"

	"github.com/spf13/cobra"

	"thawtrail/agent"
	"thawtrail/internal/refusal"
	"thawtrail/internal/rehearse"
	"thawtrail/internal/trust/vault"
	"thawtrail/server"
)

// daemon are the flags that server and agent share.
type daemon struct {
	data, listen, pages, metrics, name *flagOf
	unlock                             *unlock
}

func newDaemon(listen string) *daemon {
	return &daemon{
		data:    &flagOf{name: "data", metavar: "DIR", help: "folder of this replica; made when absent", required: true},
		listen:  &flagOf{name: "listen", metavar: "ADDRESS", help: "where commands and laptops reach it (" + listen + ")"},
		pages:   &flagOf{name: "pages", metavar: "ADDRESS", help: "where its pages can be opened on this machine; nowhere when left out"},
		metrics: &flagOf{name: "metrics", metavar: "ADDRESS", help: "where metrics can be read; nowhere when left out"},
		name:    &flagOf{name: "name", metavar: metaText, help: "what people call this machine"},
		unlock:  newUnlock(),
	}
}

// command is a command that runs until it is stopped.
func (f *daemon) command(d *console, use, short, example string, more []*flagOf, run func(context.Context, *vault.Secret) error) *cobra.Command {
	cmd := &cobra.Command{
		Use: use + " --data DIR", Short: short, Example: example, Args: noArgs, DisableFlagsInUseLine: true,
	}
	bindFlags(cmd.Flags(), f.data)
	bindFlags(cmd.Flags(), more...)
	bindFlags(cmd.Flags(), f.listen, f.pages, f.metrics, f.name)
	bindFlags(cmd.Flags(), f.unlock.flags()...)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if f.data.text() == "" {
			return refusal.New("data", "", "--data DIR: "+f.data.help)
		}
		secret, err := f.unlock.secret(d, f.data.text())
		if err != nil {
			return err
		}
		return run(cmd.Context(), secret)
	}
	return cmd
}

// log writes what happens while a daemon runs to standard error.
func (d *console) log() *slog.Logger { return slog.New(slog.NewTextHandler(d.err, nil)) }

// ready says that a daemon answers, on standard output, where a script waits.
func (d *console) ready(what string) func(string) {
	return func(address string) { d.printf("%s answers at %s; stop it with Ctrl-C\n", what, address) }
}

// pagesReady prints the address that opens the pages, once, in one browser.
func (d *console) pagesReady(url string) {
	d.printf("pages: open %s once, in this machine's browser\n", url)
}

// phonesReady prints where phones come in.
func (d *console) phonesReady(address string) {
	d.printf("phones: paired ones come in at %s; pair one with `thawtrail phone pair PERSON`\n", address)
}

func (d *console) serverCommand() *cobra.Command {
	f := newDaemon("127.0.0.1:4270")
	return f.command(d, "server", "Run the clinic's server, where laptops meet", "server --data /var/lib/thawtrail", nil,
		func(ctx context.Context, secret *vault.Secret) error {
			return server.Run(ctx, server.Config{
				Secret: secret, Data: f.data.text(), Listen: f.listen.text(), Pages: f.pages.text(), Metrics: f.metrics.text(), Name: f.name.text(),
				Log: d.log(), PagesReady: d.pagesReady, Ready: d.ready("the clinic's server"),
			})
		})
}

func (d *console) agentCommand() *cobra.Command {
	f := newDaemon(defaultAddress)
	clinic := &flagOf{name: "server", metavar: "ADDRESS", help: "the clinic's server; without one this laptop works alone"}
	phone := &flagOf{name: "phone", metavar: "ADDRESS", help: "where paired phones find the pages, e.g. 0.0.0.0:4290; nowhere when left out"}
	return f.command(d, "agent", "Run this laptop's agent, with or without a network", "agent --data thawtrail-data --server 127.0.0.1:4270", []*flagOf{clinic, phone},
		func(ctx context.Context, secret *vault.Secret) error {
			beside := rehearse.NewStarter(ctx, "")
			defer beside.Discard()
			return agent.Run(ctx, agent.Config{
				Secret: secret, Data: f.data.text(), Server: clinic.text(), Listen: f.listen.text(), Pages: f.pages.text(), Phone: phone.text(), Metrics: f.metrics.text(), Name: f.name.text(),
				Log: d.log(), PhonesReady: d.phonesReady, Opened: beside.Open,
				PagesReady: func(url string) { beside.Beside("", url); d.pagesReady(url) },
				Ready:      func(address string) { beside.Beside(address, ""); d.ready("this laptop's agent")(address) },
			})
		})
}
