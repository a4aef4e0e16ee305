package cli

import (
	"cmp"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"time"

	"github.com/spf13/cobra"

	"thawtrail/internal/node"
	"thawtrail/internal/replica"
	"thawtrail/internal/store/reach"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/local"
	"thawtrail/internal/wholefile"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// How a thing stands that doctor looked at. Only act ends with exit code 1.
const (
	stateGood = "good"
	stateLook = "look" // somebody should see to it when there is time
	stateAct  = "act"  // somebody should do something now
)

// finding is one thing that was looked at.
type finding struct {
	About string `json:"about"`
	State string `json:"state"`
	Says  string `json:"says"`
	Do    string `json:"do,omitempty"`
}

// checkup gathers what was found.
type checkup struct{ found []finding }

func (c *checkup) good(about, says string)     { c.add(about, stateGood, says, "") }
func (c *checkup) look(about, says, do string) { c.add(about, stateLook, says, do) }
func (c *checkup) act(about, says, do string)  { c.add(about, stateAct, says, do) }

func (c *checkup) add(about, state, says, do string) {
	c.found = append(c.found, finding{about, state, says, do})
}

// well says that nothing has to be done now.
func (c *checkup) well() bool {
	for _, f := range c.found {
		if f.State == stateAct {
			return false
		}
	}
	return true
}

// doctorCommand looks at a data folder and the program that runs on it, and changes
// neither.
func (d *console) doctorCommand() *cobra.Command {
	return d.ownForm("doctor --data DIR", "Look at disk, clock, link, keys, backup, versions and sizes, and say what to do",
		"doctor --data /var/lib/thawtrail", 0, nil,
		func(ctx context.Context, f *ownForm, _ []string) error {
			c := &checkup{}
			c.program()
			if c.folder(f.data.text()) {
				c.losses(f.data.text())
				d.running(ctx, f, c)
			}
			return d.tellCheckup(f, c)
		})
}

func (d *console) tellCheckup(f *ownForm, c *checkup) error {
	if f.json.text() == "true" {
		if err := d.object(map[string]any{"ok": c.well(), "findings": c.found}); err != nil {
			return err
		}
	} else {
		p := newPage(d.out)
		for _, x := range c.found {
			p.hang(fmt.Sprintf("%-5s", x.State), "     ", x.About+": "+line(x.Says))
			if x.Do != "" {
				p.wrap("       ", line(x.Do))
			}
		}
	}
	if !c.well() {
		return exitError{exitFailed}
	}
	return nil
}

func (c *checkup) program() {
	f := replica.Formats
	c.good("program", fmt.Sprintf("%s; folded state %d, exchange %d, journal %d", programLine(), f.Fold, f.Wire, f.Journal))
}

// folder looks at the data folder from outside; false when there is none.
func (c *checkup) folder(data string) bool {
	info, err := os.Stat(data)
	switch {
	case err != nil:
		c.act("folder", err.Error(), "Name the folder of the server or agent with --data. `thawtrail service status` tells it.")
		return false
	case !info.IsDir():
		c.act("folder", data+" is no folder", "Name the folder of the server or agent with --data.")
		return false
	case trust.Elsewhere(data) != "":
		c.good("folder", data+" holds what can be made again; the records lie in "+trust.Elsewhere(data))
	case !trust.Begun(data):
		c.act("folder", "no server or agent was begun in "+data, "`thawtrail server init`, `thawtrail agent enrol`, or another folder.")
		return false
	}
	if mode := info.Mode().Perm(); runtime.GOOS != "windows" && mode&0o077 != 0 {
		c.look("folder", fmt.Sprintf("others on this machine may enter %s (mode %04o)", data, mode), "chmod 700 "+data)
	} else {
		c.good("folder", fmt.Sprintf("%s: records %s, index %s", data, sizeText(wholefile.Bytes(filepath.Join(data, "journal"))), sizeText(wholefile.Bytes(filepath.Join(data, "index")))))
	}
	c.keys(data)
	switch free, err := wholefile.FreeBytes(data); {
	case err != nil:
		c.look("disk", "its room cannot be asked: "+err.Error(), "")
	case free < node.LowRoom:
		c.act("disk", "only "+sizeText(int64(free))+" are left", "Make room: entries are saved while the reserve lasts, and pages fall behind before.") // #nosec G115 -- below node.LowRoom
	default:
		c.good("disk", fmt.Sprintf("%d GB are left", free/1e9))
	}
	return true
}

// keys looks for files that others on this machine can read.
func (c *checkup) keys(data string) {
	if runtime.GOOS == "windows" {
		return
	}
	entries, err := os.ReadDir(data)
	if err != nil {
		c.act("keys", err.Error(), "Run this as the user to whom the folder belongs.")
		return
	}
	open := 0
	for _, e := range entries {
		info, err := e.Info()
		if err == nil && info.Mode().IsRegular() && info.Mode().Perm()&0o077 != 0 {
			c.act("keys", fmt.Sprintf("others on this machine can read %s (mode %04o)", e.Name(), info.Mode().Perm()), "chmod 600 "+filepath.Join(data, e.Name()))
			open++
		}
	}
	if open == 0 {
		c.good("keys", "nobody else can read them")
	}
}

// losses tells what is gone and nobody has read.
func (c *checkup) losses(data string) {
	told, err := reach.Unread(data)
	if err != nil {
		c.act("losses", err.Error(), "`thawtrail verify --data DIR` while the program is stopped.")
	}
	for _, n := range told {
		c.act("losses", n.Text, "Read it, see that the other machines bring it back, then `thawtrail losses --data DIR --seen`.")
	}
	if err == nil && len(told) == 0 {
		c.good("losses", "nothing is known to be gone that nobody has read")
	}
}

// running asks the program that runs on the folder.
func (d *console) running(ctx context.Context, f *ownForm, c *checkup) {
	door, err := local.OfData(f.data.text())
	if err != nil {
		c.look("running", "no program runs on this folder", "Its link, clock, parts and backups are looked at while it runs: `thawtrail service start`. `thawtrail verify` reads every record while it is stopped.")
		return
	}
	target, options := door.Target()
	conn, err := d.dial(target, options...)
	if err != nil {
		c.act("running", err.Error(), "Start it anew, and read its log.")
		return
	}
	defer conn.Close()
	st, err := pb.NewAuditServiceClient(conn).GetStatus(ctx, &pb.GetStatusRequest{})
	if err != nil {
		c.act("running", inWords(err, door.Address).Error(), "Start it anew, and read its log.")
		return
	}
	c.good("running", fmt.Sprintf("%s at %s, %s", cmp.Or(st.DeviceName, "a program"), door.Address, count(int(st.Records), "record")))
	c.status(st)
	known, err := pb.NewCarryServiceClient(conn).ShowBackups(ctx, &pb.ShowBackupsRequest{})
	if err != nil {
		c.look("backup", inWords(err, door.Address).Error(), "")
		return
	}
	c.backup(st.Hub, known, d.now())
}

// badClock is how far a clock may be from the server's, beyond what it is measured to.
const badClock = 2 * time.Minute

func (c *checkup) status(st *pb.GetStatusResponse) {
	off, bound := time.Duration(st.ClockOffsetMs)*time.Millisecond, time.Duration(st.ClockBoundMs)*time.Millisecond
	switch {
	case st.Hub:
		c.good("clock", "this server's clock is the practice's: keep it right by the system's time service")
	case off.Abs()-bound > badClock:
		c.act("clock", fmt.Sprintf("this machine's clock is %s from the server's", off.Abs().Round(time.Second)), "Set it, or let the system do so. Times of use-by are reckoned with the server's clock meanwhile.")
	default:
		c.good("clock", "no more from the server's than it can be measured, as far as that was heard")
	}
	if st.RoomLeftBytes != nil {
		c.act("disk", "room for "+sizeText(*st.RoomLeftBytes)+" of entries is left in the reserve", "Make room now.")
	}
	for _, p := range st.Parts {
		c.act("part", p.Part+": "+p.Problem, "It is tried again by itself. What it says tells what stands in its way.")
	}
	for _, r := range st.Repairs {
		c.look("repaired", r, "")
	}
	for _, s := range st.SetAside {
		c.look("set aside", s, "Records that could not be taken: read why, and ask whoever wrote them.")
	}
	for _, x := range st.Differences {
		c.look("differs", x, "")
	}
	if !st.Hub {
		c.link(st)
	}
}

func (c *checkup) link(st *pb.GetStatusResponse) {
	here := fmt.Sprintf("%s of this machine wait here, %d are held there", count(int(st.SavedHere), "record"), st.HeldOnServer)
	switch {
	case st.Link == "connected":
		c.good("link", "connected to "+st.Server+"; "+here)
	case st.Server == "":
		c.look("link", st.Link, "`thawtrail agent --server ADDRESS` once; it is remembered.")
	default:
		c.look("link", st.Server+", "+st.Link+"; "+here, "It is tried again by itself. Is there a network, does the server run, is the address right?")
	}
}

func (c *checkup) backup(server bool, known *pb.ShowBackupsResponse, now time.Time) {
	how := "`thawtrail backup FILE --data DIR`, or `backup-to` in the settings."
	switch last := time.UnixMicro(known.LastWallUs); {
	case known.LastWallUs == 0 && server:
		c.act("backup", "there was none", how)
	case known.LastWallUs == 0:
		c.good("backup", "none from here: what reached the server is in the server's")
	case server && now.Sub(last) > node.StaleBackup:
		c.act("backup", "the last good one is "+wording.Ago(now.Sub(last))+" old: "+known.LastFile, how)
	default:
		c.good("backup", fmt.Sprintf("%s ago, %s: %s", wording.Ago(max(0, now.Sub(last))), count(int(known.LastRecords), "record"), known.LastFile))
	}
}
