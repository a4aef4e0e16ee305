package cli

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"github.com/spf13/cobra"

	"thawtrail/agent"
	"thawtrail/internal/node"
	"thawtrail/internal/refusal"
	"thawtrail/internal/rehearse"
	"thawtrail/internal/service"
	"thawtrail/internal/trust/vault"
	"thawtrail/server"
)

// daemon are the flags that server and agent share, and more of either.
type daemon struct {
	data, listen, pages, metrics, name *flagOf
	more                               []*flagOf
	unlock                             *unlock
	doors                              *flagOf
	log                                *logFlags
	backups                            backupSettings
	database                           *database
	// reloads are the settings that can change while it runs.
	reloads map[string]func(text string) error
}

func newDaemon(listen string, more ...*flagOf) *daemon {
	return &daemon{
		more: more, database: newDatabase(),
		data:    &flagOf{name: "data", metavar: "DIR", help: "folder of this replica; made when absent", required: true},
		listen:  &flagOf{name: "listen", metavar: "ADDRESS", help: "where commands and laptops reach it (" + listen + ")"},
		pages:   &flagOf{name: "pages", metavar: "ADDRESS", help: "where its pages can be opened on this machine; nowhere when left out"},
		metrics: &flagOf{name: "metrics", metavar: "ADDRESS", help: "where metrics can be read; nowhere when left out"},
		name:    &flagOf{name: "name", metavar: metaText, help: "what people call this machine"},
		unlock:  newUnlock(),
		doors:   &flagOf{name: "doors", metavar: "DIR", help: "folder in which commands find a service of the system; your own when left out"},
		log:     newLogFlags(),
		backups: newBackupSettings(),
		reloads: map[string]func(string) error{},
	}
}

// settings are these flags as a section of a file of settings.
func (f *daemon) settings(section string) *settings {
	flags := append([]*flagOf{f.data}, f.more...)
	flags = append(flags, f.listen, f.pages, f.metrics, f.name, f.doors)
	flags = append(flags, f.backups.to, f.backups.every, f.backups.keep)
	flags = append(flags, f.log.flags()...)
	return newSettings(section, append(flags, f.unlock.flags()...))
}

// command is a command that runs until it is stopped.
func (f *daemon) command(d *console, use, short, example string, run func(context.Context, *vault.Secret, node.BackupPlan, *slog.Logger) error) *cobra.Command {
	from := f.settings(use)
	f.reloads["log-level"] = f.log.setLevel
	cmd := &cobra.Command{
		Use: use + " --data DIR", Short: short, Example: example, Args: noArgs, DisableFlagsInUseLine: true,
	}
	bindFlags(cmd.Flags(), from.flags...)
	bindFlags(cmd.Flags(), from.file)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		defer f.database.close()
		return d.supervised(cmd.Context(), use, from, f.log, f.reloads, func(log *slog.Logger) (func(context.Context) error, error) {
			if f.data.text() == "" {
				return nil, refusal.New("data", "", "--data DIR: "+f.data.help)
			}
			plan, err := f.backups.plan()
			if err != nil {
				return nil, err
			}
			names, err := f.database.open(cmd.Context(), f.data.text())
			if err != nil {
				return nil, err
			}
			secret, err := f.unlock.secretIn(d, names)
			return func(ctx context.Context) error { return run(ctx, secret, plan, log) }, err
		})
	}
	return cmd
}

// supervised runs a program until it is stopped, by a person or by the system that started
// it: its settings are found, its log is opened, and what may change while it runs is read
// again when that is asked for.
func (d *console) supervised(ctx context.Context, name string, from *settings, logs *logFlags, reloads map[string]func(string) error,
	prepare func(*slog.Logger) (func(context.Context) error, error)) error {
	typed := from.typed()
	if _, err := from.read(); err != nil {
		return err
	}
	log, done, err := logs.open(d)
	if err != nil {
		return err
	}
	defer done()
	run, err := prepare(log)
	if err == nil {
		again := &reload{settings: from, typed: typed, held: from.texts(), apply: reloads, log: log}
		err = service.Run(ctx, name, func(ctx context.Context) error {
			return again.beside(ctx, func() error { return run(ctx) })
		})
	}
	if err != nil && logs.file.given() {
		log.Error("it ends", "error", err) // nobody may be at its screen
	}
	return err
}

// log writes what happens while a command works to standard error.
func (d *console) log() *slog.Logger { return slog.New(slog.NewTextHandler(d.err, nil)) }

// ready says that a daemon answers, on standard output, where a script waits, and to the
// system that started it.
func (d *console) ready(what string, log *slog.Logger) func(string) {
	return func(address string) {
		d.printf("%s answers at %s; stop it with Ctrl-C\n", what, address)
		if err := service.Ready(); err != nil {
			log.Error("the system was not told that all answers", "error", err)
		}
	}
}

// pagesReady prints the address that opens the pages, once, in one browser.
func (d *console) pagesReady(url string) {
	d.printf("pages: open %s once, in this machine's browser\n", url)
}

// phonesReady prints where phones come in.
func (d *console) phonesReady(address string) {
	d.printf("phones: paired ones come in at %s; pair one with `thawtrail phone pair PERSON`\n", address)
}

// networkReady prints where browsers of the clinic's network come in.
func (d *console) networkReady(address string) {
	d.printf("pages: paired computers of the clinic come in at %s over TLS; pair one with `thawtrail phone pair PERSON --at ADDRESS`, or under 'Computers' on the pages\n", address)
}

func newServerFlags() *daemon {
	f := newDaemon(serverAddress)
	f.more = append(f.more, f.database.url)
	f.pages.help = "where its pages can be opened: on this machine alone, or on an address of the clinic's network, e.g. 0.0.0.0:4280, where browsers that are paired come in over TLS; nowhere when left out"
	return f
}

// agentFlags are what an agent is started with.
type agentFlags struct {
	*daemon
	clinic, phone *flagOf
}

func newAgentFlags() agentFlags {
	f := agentFlags{
		clinic: &flagOf{name: "server", metavar: "ADDRESS", help: "the clinic's server; several addresses are tried in turn, divided by commas. The last that answered is remembered; without one this laptop works alone"},
		phone:  &flagOf{name: "phone", metavar: "ADDRESS", help: "where paired phones find the pages, e.g. 0.0.0.0:4290; nowhere when left out"},
	}
	f.daemon = newDaemon(defaultAddress, f.clinic, f.phone)
	return f
}

func (d *console) serverCommand() *cobra.Command {
	f := newServerFlags()
	return f.command(d, "server", "Run the clinic's server, where laptops meet", "server --data /var/lib/thawtrail",
		func(ctx context.Context, secret *vault.Secret, plan node.BackupPlan, log *slog.Logger) error {
			return server.Run(ctx, server.Config{
				Secret: secret, Data: f.data.text(), Database: f.database.opened, Listen: f.listen.text(), Pages: f.pages.text(), Metrics: f.metrics.text(), Name: f.name.text(),
				Doors: f.doors.text(), Backups: plan, Log: log, PagesReady: d.pagesReady, NetworkReady: d.networkReady, Ready: d.ready("the clinic's server", log),
			})
		})
}

// addressesWithin is how long a running agent may take to hear of other addresses.
const addressesWithin = 5 * time.Second

func (d *console) agentCommand() *cobra.Command {
	f := newAgentFlags()
	servers := make(chan string)
	f.reloads["server"] = func(addresses string) error {
		select {
		case servers <- addresses:
			return nil
		case <-time.After(addressesWithin):
			return errors.New("it is busy; ask again")
		}
	}
	return f.command(d, "agent", "Run this laptop's agent, with or without a network", "agent --data thawtrail-data --server 127.0.0.1:4270",
		func(ctx context.Context, secret *vault.Secret, plan node.BackupPlan, log *slog.Logger) error {
			beside := rehearse.NewStarter(ctx, "")
			defer beside.Discard()
			return agent.Run(ctx, agent.Config{
				Secret: secret, Data: f.data.text(), Server: f.clinic.text(), Servers: servers, Listen: f.listen.text(), Pages: f.pages.text(), Phone: f.phone.text(), Metrics: f.metrics.text(), Name: f.name.text(),
				Doors: f.doors.text(), Backups: plan, Log: log, PhonesReady: d.phonesReady, Opened: beside.Open,
				PagesReady: func(url string) { beside.Beside("", url); d.pagesReady(url) },
				Ready:      func(address string) { beside.Beside(address, ""); d.ready("this laptop's agent", log)(address) },
			})
		})
}
