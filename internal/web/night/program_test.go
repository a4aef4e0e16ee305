//go:build browser

package night

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"testing"
	"time"
	_ "time/tzdata" // zones on systems that have none

	"thawtrail/agent"
	"thawtrail/internal/clock"
	"thawtrail/internal/trust/vault"
	"thawtrail/server"
)

// programIn is the variable that makes this test binary one of the programs.
const programIn = "THAWTRAIL_NIGHT_PROGRAM"

// program is what one process runs.
type program struct {
	Hub                   bool
	Data, Name            string
	Listen, Pages, Server string
	Ahead                 time.Duration
}

// line is what a program says to the test: one of these.
type line struct {
	Pages string `json:",omitempty"` // a one-time address
	Ready bool   `json:",omitempty"`
	Ahead string `json:",omitempty"` // the clock has been moved so far
	Error string `json:",omitempty"`
}

func TestMain(m *testing.M) {
	text, ok := os.LookupEnv(programIn)
	if !ok {
		os.Exit(m.Run())
	}
	if err := runProgram(text); err != nil {
		say(line{Error: err.Error()})
		os.Exit(1)
	}
}

func say(l line) { _ = json.NewEncoder(os.Stdout).Encode(l) } // nobody listens any more

// runProgram is a server or an agent until the test closes its standard input.
// Each line that comes there is a time by which its clock is moved on.
func runProgram(text string) error {
	var p program
	if err := json.Unmarshal([]byte(text), &p); err != nil {
		return err
	}
	c := &clock.Ahead{Clock: clock.System{}}
	c.Advance(p.Ahead)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go func() {
		defer cancel()
		for lines := bufio.NewScanner(os.Stdin); lines.Scan(); {
			d, err := time.ParseDuration(lines.Text())
			if err != nil {
				say(line{Error: err.Error()})
				return
			}
			c.Advance(d)
			say(line{Ahead: c.By().String()})
		}
	}()
	secret, err := vault.Passphrase(passphrase)
	if err != nil {
		return err
	}
	ready, pages := func(string) { say(line{Ready: true}) }, func(url string) { say(line{Pages: url}) }
	log := slog.New(slog.NewTextHandler(os.Stderr, nil))
	if p.Hub {
		return server.Run(ctx, server.Config{
			Data: p.Data, Secret: &secret, Name: p.Name, Listen: p.Listen, Pages: p.Pages, StateEvery: 100 * time.Millisecond,
			Clock: c, Log: log, PagesReady: pages, Ready: ready,
		})
	}
	return agent.Run(ctx, agent.Config{
		Data: p.Data, Secret: &secret, Name: p.Name, Server: p.Server, Listen: p.Listen, Pages: p.Pages,
		Clock: c, Log: log, PagesReady: pages, Ready: ready,
	})
}

const passphrase = "abbey acorn actor adobe alarm"

// errorOf is a line as an error.
func (l line) err() error {
	if l.Error == "" {
		return nil
	}
	return fmt.Errorf("the program ended: %s", l.Error)
}
