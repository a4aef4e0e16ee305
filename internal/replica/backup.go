package replica

import (
	"strconv"
	"time"
)

// lastBackupName is kept on this machine, in the index: after that is built anew, a new
// backup says it once more.
const lastBackupName = "last_backup"

// LastBackup is when the books were last saved whole, away from this folder; false: never,
// as far as this machine knows.
func (r *Replica) LastBackup() (at time.Time, ever bool, err error) {
	kept, err := r.Store.Local(lastBackupName)
	ms, failed := strconv.ParseInt(string(kept), 10, 64)
	return time.UnixMilli(ms), err == nil && failed == nil, err
}

// BackedUp notes that the books were saved whole now.
func (r *Replica) BackedUp() error {
	return r.Store.SetLocal(lastBackupName, strconv.AppendInt(nil, r.Clock.Now().UnixMilli(), 10))
}
