package demo

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"thawtrail/internal/clock"
	"thawtrail/internal/refusal"
)

// Config says how the night is played.
type Config struct {
	Fast bool      // without pauses for reading
	Keep bool      // stay up after the night until ctx ends
	JSON bool      // print one object at the end
	Dir  string    // keep the data here; a temporary folder, removed at the end, when empty
	Out  io.Writer // the story; with JSON the object alone
	Err  io.Writer // with JSON the story; nowhere when nil
	// Program is the binary that is started as server and agents and that prints
	// the tables; the running one when empty.
	Program string
	Clock   clock.Clock // the machine's when nil
}

// Summary is what a night came to: the object that JSON prints.
type Summary struct {
	Digests       []string      `json:"digests"` // of clinic, north and south
	Records       int64         `json:"records"` // on each of the three
	MergeMs       int64         `json:"merge_ms"`
	Discrepancies []Discrepancy `json:"discrepancies"`
	Acknowledged  int           `json:"acknowledged"` // entries that a replica said are saved
	Lost          int           `json:"lost"`         // acknowledged entries missing from any replica
	Pages         *Pages        `json:"pages,omitempty"`
}

// Pages are the one-time addresses that open the pages while the night is kept.
type Pages struct {
	Barn   []string `json:"barn"` // of the north and the south laptop
	Clinic string   `json:"clinic"`
	Owner  string   `json:"owner"`
}

// Discrepancy is one that is open at the end.
type Discrepancy struct {
	Kind        string `json:"kind"`
	Entity      string `json:"entity"`
	HoldReached string `json:"hold_reached,omitempty"`
}

// Run plays the night. It returns nil only when all three replicas have the same
// digest, no acknowledged entry is missing from any of them, and the three
// discrepancies of the story were found.
func Run(ctx context.Context, cfg Config) (err error) {
	if err := cfg.fill(); err != nil {
		return err
	}
	dir, remove, err := cfg.folder()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, remove()) }()
	n := newNight(ctx, cfg, dir)
	defer n.close()
	n.play()
	if n.err == nil {
		n.judge()
	}
	if n.err != nil {
		if ctx.Err() != nil {
			return errors.New("interrupted")
		}
		return n.err
	}
	if cfg.Keep {
		if n.sum.Pages, err = n.pages(); err != nil {
			return err
		}
	}
	if cfg.JSON {
		if err := json.NewEncoder(cfg.Out).Encode(n.sum); err != nil {
			return err
		}
	}
	if cfg.Keep {
		n.keep()
	}
	return nil
}

func (c *Config) fill() error {
	if c.Clock == nil {
		c.Clock = clock.System{}
	}
	if c.Err == nil {
		c.Err = io.Discard
	}
	if c.Program != "" {
		return nil
	}
	var err error
	c.Program, err = os.Executable()
	return err
}

// folder is where the three stores lie, and how it is cleared away.
func (c *Config) folder() (dir string, remove func() error, err error) {
	if c.Dir == "" {
		dir, err = os.MkdirTemp("", "thawtrail-demo-")
		return dir, func() error { return os.RemoveAll(dir) }, err
	}
	for _, name := range []string{"clinic", "north", "south"} {
		if _, err := os.Stat(filepath.Join(c.Dir, name)); err == nil {
			return "", nil, refusal.New("dir", c.Dir, "a folder without an earlier night in it")
		}
	}
	return c.Dir, func() error { return nil }, os.MkdirAll(c.Dir, 0o700)
}

// judge says whether the night ended as it must.
func (n *night) judge() {
	var faults []string
	for i, d := range n.sum.Digests {
		if d == "" || d != n.sum.Digests[0] {
			faults = append(faults, fmt.Sprintf("the digest of %s differs from the clinic's", n.sites()[i].name))
		}
	}
	if n.sum.Lost > 0 {
		faults = append(faults, fmt.Sprintf("%d acknowledged entries are lost", n.sum.Lost))
	}
	for _, want := range []Discrepancy{
		{Kind: "given_after_hold", HoldReached: "not_reached"}, {Kind: "found_bag"}, {Kind: "entered_twice"},
	} {
		if !n.sum.has(want) {
			faults = append(faults, strings.TrimSpace("no discrepancy "+want.Kind+" "+want.HoldReached))
		}
	}
	if len(faults) > 0 {
		n.fail(errors.New("the night did not end as it must: " + strings.Join(faults, "; ")))
	}
}

func (s *Summary) has(want Discrepancy) bool {
	for _, d := range s.Discrepancies {
		if d.Kind == want.Kind && d.HoldReached == want.HoldReached {
			return true
		}
	}
	return false
}

// keep tells what to try and stays until it is interrupted.
func (n *night) keep() {
	s := n.screen
	s.heading(n.ctx, "All three", "still running")
	s.tell("Try these in another terminal; Ctrl-C here ends the demo.")
	s.gap()
	for _, line := range n.toTry() {
		fmt.Fprintln(s.w, "    "+line)
	}
	s.gap()
	s.tell("A phone on this network shows the north laptop's pages. This makes a code for it:")
	s.gap()
	fmt.Fprintln(s.w, "    "+n.try(n.north, "phone pair '"+northVet+"'"))
	s.gap()
	s.tell("Or open the pages; each address opens once, in one browser.")
	s.gap()
	p := n.sum.Pages
	for _, line := range []string{"barn, north   " + p.Barn[0], "barn, south   " + p.Barn[1], "clinic        " + p.Clinic, "owner         " + p.Owner} {
		fmt.Fprintln(s.w, "    "+line)
	}
	<-n.ctx.Done()
}

// pages reads the addresses that the three processes wrote down.
func (n *night) pages() (*Pages, error) {
	out := &Pages{}
	for _, s := range []*site{n.north, n.south} {
		urls, err := s.addresses(n.dir)
		if err != nil || len(urls) != 1 {
			return nil, fmt.Errorf("one address of %s's pages expected, got %q: %w", s.name, urls, err)
		}
		out.Barn = append(out.Barn, urls[0])
	}
	urls, err := n.clinic.addresses(n.dir)
	if err != nil || len(urls) != 2 {
		return nil, fmt.Errorf("two addresses of the clinic's pages expected, got %q: %w", urls, err)
	}
	out.Clinic, out.Owner = urls[0], urls[1]
	return out, nil
}

// try is a command line that asks a site.
func (n *night) try(at *site, words string) string {
	return n.cfg.Program + " " + words + " --at " + at.proc.address
}

func (n *night) toTry() []string {
	return []string{
		n.try(n.clinic, "stock"),
		n.try(n.north, "case "+n.northFoal.id),
		n.try(n.south, "batch list --held"),
		n.try(n.south, "discrepancies --open"),
		n.try(n.clinic, "people"),
		n.try(n.north, "status"),
		n.try(n.clinic, "audit use --by place"),
	}
}

// fourOClock names the time zone in which it is four in the morning now. Zones
// of the tz database with a fixed offset carry the sign of POSIX: Etc/GMT-11 is
// eleven hours ahead of UTC.
func fourOClock(now time.Time) string {
	ahead := (4-now.UTC().Hour()+36)%24 - 12
	if ahead == 0 {
		return "Etc/GMT"
	}
	return fmt.Sprintf("Etc/GMT%+d", -ahead)
}
