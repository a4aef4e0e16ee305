package node

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/refusal"
	"thawtrail/internal/replication"
	"thawtrail/internal/wholefile"
)

// BackupPlan says where and how often this machine saves all records by itself.
type BackupPlan struct {
	To     string        // a folder that is there; empty: nowhere
	Within string        // a folder in To that is made when it is absent; empty: To itself
	Every  time.Duration // from one to the next
	Keep   int           // how many stay in the folder
}

// backupTick is how often the clock is asked whether one is due: a laptop sleeps, and its
// clock is set.
const backupTick = time.Minute

// Tick is how often to look whether a backup is due.
func (p BackupPlan) Tick() time.Duration { return min(backupTick, p.Every) }

// backupForm is the moment in the name of a backup.
const backupForm = "20060102T150405Z"

// backUp writes backups by the plan until ctx ends. One that fails is told as a part that
// does not work, and tried again, going on where it stopped.
func (n *Node) backUp(ctx context.Context) error {
	if n.Backups.To == "" {
		return nil
	}
	for {
		err := n.backUpWhenDue(ctx)
		if n.BackupTried != nil {
			n.BackupTried(err)
		}
		if err != nil {
			return fmt.Errorf("backup into %s: %w", n.Backups.To, err)
		}
		n.works("backup")
		if !sleep(ctx, n.Backups.Tick()) {
			return nil
		}
	}
}

func (n *Node) backUpWhenDue(ctx context.Context) error {
	now, in := n.Clock.Now(), n.Backups.of(n.Store.Device())
	due, part, err := in.due(n.Backups.Every, now)
	if err != nil || !due {
		return err
	}
	if part == "" {
		part = in.named(now)
	}
	b := replication.Bundles{Replica: n.Replica}
	src, err := b.BackupSource()
	if err != nil {
		return err
	}
	out, err := replication.BackupFile(ctx, part, src, func(text string) { n.Log.Info(text, "backup", part) })
	if err != nil {
		return err
	}
	if !out.Good() {
		n.Log.Error("the backup lacks what cannot be read here; the last good one is kept", "file", out.File, "omitted", out.Omitted, "wrong", out.Wrong, "founded", out.Founded)
	} else if err := n.BackedUp(out.Last()); err != nil {
		return err
	}
	n.Log.Info("all records are saved", "file", out.File, "records", out.Records, "bytes", out.Bytes)
	return n.dropOld()
}

const backupEnding = ".books"

// backups are those of one machine in a folder.
type backups struct{ to, within, prefix string }

// of are the backups of the machine with this device id; nil: of any machine.
func (p BackupPlan) of(device []byte) backups {
	out := backups{to: p.To, within: filepath.Join(p.To, p.Within), prefix: "thawtrail-"}
	if device != nil {
		out.prefix += fmt.Sprintf("%x-", device[:4])
	}
	return out
}

// Due says that a machine that may be stopped, or with nil any machine, has no backup in the
// folder that is new enough at this moment.
func (p BackupPlan) Due(device []byte, now time.Time) (bool, error) {
	due, _, err := p.of(device).due(p.Every, now)
	return due, err
}

// due says so, and which one was broken off.
func (b backups) due(every time.Duration, now time.Time) (due bool, part string, err error) {
	made, part, err := b.list()
	if err != nil {
		return false, "", err
	}
	if len(made) > 0 {
		last, err := time.Parse(backupForm, momentOf(made[0]))
		if since := now.Sub(last); err == nil && since.Abs() < every {
			return false, part, nil
		}
	}
	return true, part, nil
}

// named is the file of one that is begun now.
func (b backups) named(now time.Time) string {
	return filepath.Join(b.within, b.prefix+now.UTC().Format(backupForm)+backupEnding)
}

// momentOf is the moment in a name, which is the last part of it.
func momentOf(path string) string {
	name := strings.TrimSuffix(filepath.Base(path), backupEnding)
	return name[strings.LastIndexByte(name, '-')+1:]
}

// list is all of them, the newest first, and the newest one that was broken off.
func (b backups) list() (made []string, part string, err error) {
	if _, err := os.Stat(b.to); err != nil {
		// It is not made: a disk that is not there must not become a folder on this one.
		return nil, "", refusal.New("backup_to", b.to, "a folder that is there").Because(err.Error())
	}
	if err := wholefile.MakeFolder(b.within); err != nil {
		return nil, "", err
	}
	entries, err := os.ReadDir(b.within)
	if err != nil {
		return nil, "", refusal.New("backup_to", b.within, "a folder that can be read").Because(err.Error())
	}
	for _, e := range entries {
		name := e.Name()
		whole := strings.TrimSuffix(name, replication.PartOf(""))
		if _, err := time.Parse(backupForm, momentOf(whole)); err != nil || !strings.HasPrefix(name, b.prefix) || !strings.HasSuffix(whole, backupEnding) {
			continue
		}
		if path := filepath.Join(b.within, whole); whole == name {
			made = append(made, path)
		} else {
			part = max(part, path)
		}
	}
	slices.SortFunc(made, func(a, b string) int { return strings.Compare(momentOf(b), momentOf(a)) })
	return made, part, nil
}

// dropOld removes what is more than the plan keeps, and never the last good one.
func (n *Node) dropOld() error {
	made, _, err := n.Backups.of(n.Store.Device()).list()
	if err != nil {
		return err
	}
	last, err := n.LastBackup()
	if err != nil {
		return err
	}
	for _, path := range made[min(n.Backups.Keep, len(made)):] {
		if path == last.File {
			continue
		}
		if err := os.Remove(path); err != nil {
			return err
		}
	}
	return nil
}
