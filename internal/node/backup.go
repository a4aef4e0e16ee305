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
)

// BackupPlan says where and how often this machine saves all records by itself.
type BackupPlan struct {
	To    string        // a folder that is there; empty: nowhere
	Every time.Duration // from one to the next
	Keep  int           // how many stay in the folder
}

// backupTick is how often the clock is asked whether one is due: a laptop sleeps, and its
// clock is set.
const backupTick = time.Minute

// backupForm is the moment in the name of a backup.
const backupForm = "20060102T150405Z"

// backUp writes backups by the plan until ctx ends. One that fails is told as a part that
// does not work, and tried again, going on where it stopped.
func (n *Node) backUp(ctx context.Context) error {
	if n.Backups.To == "" {
		return nil
	}
	for {
		if err := n.backUpWhenDue(ctx); err != nil {
			return fmt.Errorf("backup into %s: %w", n.Backups.To, err)
		}
		n.works("backup")
		if !sleep(ctx, min(backupTick, n.Backups.Every)) {
			return nil
		}
	}
}

func (n *Node) backUpWhenDue(ctx context.Context) error {
	made, part, err := n.backups()
	if err != nil {
		return err
	}
	now := n.Clock.Now()
	if len(made) > 0 {
		last, err := time.Parse(backupForm, n.momentOf(made[0]))
		if since := now.Sub(last); err == nil && since.Abs() < n.Backups.Every {
			return nil
		}
	}
	if part == "" {
		part = filepath.Join(n.Backups.To, n.backupName()+now.UTC().Format(backupForm)+backupEnding)
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

// backupName is how the names of this machine's backups begin.
func (n *Node) backupName() string { return fmt.Sprintf("thawtrail-%x-", n.Store.Device()[:4]) }

func (n *Node) momentOf(path string) string {
	return strings.TrimSuffix(strings.TrimPrefix(filepath.Base(path), n.backupName()), backupEnding)
}

// backups lists this machine's backups in the folder, the newest first, and the newest one
// that was broken off.
func (n *Node) backups() (made []string, part string, err error) {
	entries, err := os.ReadDir(n.Backups.To)
	if err != nil {
		// It is not made: a disk that is not there must not become a folder on this one.
		return nil, "", refusal.New("backup_to", n.Backups.To, "a folder that is there").Because(err.Error())
	}
	for _, e := range entries {
		name := e.Name()
		whole := strings.TrimSuffix(name, replication.PartOf(""))
		if _, err := time.Parse(backupForm, n.momentOf(whole)); err != nil || !strings.HasPrefix(name, n.backupName()) || !strings.HasSuffix(whole, backupEnding) {
			continue
		}
		if path := filepath.Join(n.Backups.To, whole); whole == name {
			made = append(made, path)
		} else {
			part = max(part, path)
		}
	}
	slices.Sort(made)
	slices.Reverse(made)
	return made, part, nil
}

// dropOld removes what is more than the plan keeps, and never the last good one.
func (n *Node) dropOld() error {
	made, _, err := n.backups()
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
