package cli

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"thawtrail/internal/input"
)

// console is what every command works with: one clock, one zone, two writers.
type console struct {
	in         io.Reader
	inputTaken bool // in was read, as a file that a person named
	out, err   io.Writer
	now        func() time.Time
	zone       *time.Location
	zoneName   string   // in the tz database, or empty where this system does not say
	address    string   // of the agent, when no --at is typed
	both       []string // numbers of a dose that were typed in a customary unit, in both units
	// rehearsal: what answered is one. out and err mark each line; bare does not.
	rehearsal bool
	bare      io.Writer
	printed   *cleanWriter // behind out: knows whether all came out
}

const (
	envAddress     = "THAWTRAIL_AT"
	defaultAddress = "127.0.0.1:4271"
)

func newDesk(out, err io.Writer) *console {
	printed := &cleanWriter{to: out}
	d := &console{in: os.Stdin, out: printed, err: &cleanWriter{to: err}, printed: printed, now: time.Now, zone: time.Local, address: defaultAddress}
	d.zoneName = zoneName()
	if at := os.Getenv(envAddress); at != "" {
		d.address = at
	}
	return d
}

// clock is what typed times are read against.
func (d *console) clock() input.Clock {
	return input.Clock{Now: d.now, Zone: d.zone, ZoneName: d.zoneName}
}

func (d *console) printf(format string, args ...any) { fmt.Fprintf(d.out, format, args...) }

// zoneName finds the name of this laptop's time zone. Where the system does not
// tell (Windows), the name stays empty and the practice's zone counts.
func zoneName() string {
	candidates := []string{os.Getenv("TZ"), time.Local.String()}
	if target, err := filepath.EvalSymlinks("/etc/localtime"); err == nil {
		if _, name, found := strings.Cut(filepath.ToSlash(target), "/zoneinfo/"); found {
			candidates = append(candidates, name)
		}
	}
	for _, name := range candidates {
		if name == "" || name == "Local" {
			continue
		}
		if _, err := time.LoadLocation(name); err == nil {
			return name
		}
	}
	return ""
}
