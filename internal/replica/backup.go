package replica

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// lastBackupName is under what the last good backup is remembered, and of old in the index.
const lastBackupName = "last_backup"

// LastBackup is the last good copy of all records, away from this folder, that this machine
// knows of.
type LastBackup struct {
	Until   time.Time // all that was saved until then is in it; zero: there was none
	File    string
	Records int64
	Bytes   int64
}

// LastBackup recalls it. What an older program noted in the index is read too, as long as
// nothing newer is known.
func (r *Replica) LastBackup() (last LastBackup, err error) {
	text := r.Kept.Get(lastBackupName)
	if text == "" {
		old, err := r.Store.Local(lastBackupName)
		if err != nil {
			return last, err
		}
		text = string(old)
	}
	parts := strings.SplitN(text, " ", 4)
	ms, failed := strconv.ParseInt(parts[0], 10, 64)
	if failed != nil {
		return last, nil
	}
	last.Until = time.UnixMilli(ms)
	if len(parts) == 4 {
		last.Records, _ = strconv.ParseInt(parts[1], 10, 64)
		last.Bytes, _ = strconv.ParseInt(parts[2], 10, 64)
		last.File = parts[3]
	}
	return last, nil
}

// BackedUp remembers a good backup.
func (r *Replica) BackedUp(b LastBackup) error {
	return r.Kept.Set(lastBackupName, fmt.Sprintf("%d %d %d %s", b.Until.UnixMilli(), b.Records, b.Bytes, b.File))
}
