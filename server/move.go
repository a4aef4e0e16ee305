package server

import (
	"bytes"
	"cmp"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"thawtrail/internal/clock"
	"thawtrail/internal/refusal"
	"thawtrail/internal/store"
	"thawtrail/internal/store/pg"
	"thawtrail/internal/store/reach"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
)

// A practice moves as it is: its records in their order, with all that its server keeps
// beside them. So the server is the same one in the new place, its own log goes on, and
// laptops notice one link that broke.
//
// That it is never served from two places, each place has a mark that keeps a server from
// starting there. The new place has one before anything is copied, and loses it last; the
// old one gets one when the copy was read back and is the same. So a move that is broken
// off leaves one place that runs, or two that are whole and marked, and is begun again by
// the same command.

// movedFile is the mark: it says to a person where the practice is.
const movedFile = "moved"

// maxMark bounds a mark in bytes.
const maxMark = 4 << 10

// isElsewhere refuses a place from which a practice was moved, or to which not all came.
func isElsewhere(place trust.Place) error {
	mark, err := place.Names.Read(movedFile, maxMark)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	}
	return refusal.Conflict("data", place.Dir, "a place from which the practice was not moved").Because(string(mark))
}

// Direction is where a practice moves to.
type Direction bool

// The directions.
const (
	ToDatabase Direction = false
	ToFolder   Direction = true
)

// MoveConfig says what moves where.
type MoveConfig struct {
	Data     string        // the practice's folder; its name is the practice's name in the database
	Database *pg.Database  // required
	Secret   *vault.Secret // opens the vault of the place it leaves; nil: that one is not encrypted
	To       Direction
	Clock    clock.Clock // the machine's when nil
}

// Moved is what came over.
type Moved struct {
	Practice string
	Records  int64
	SHA256   [sha256.Size]byte // of the records in their order
	Files    int               // small ones: keys, codes not used yet, what was kept aside
}

// Move takes a practice from its folder to a database or back. No server may run on it in
// either place. Errors: refusal.Conflict where the old place does not hold it, or the new one holds another.
func Move(ctx context.Context, cfg MoveConfig) (out Moved, err error) {
	lock, err := store.LockFolder(cfg.Data)
	if errors.Is(err, fs.ErrNotExist) && cfg.To == ToFolder {
		if err = wholefile.MakeFolder(cfg.Data); err == nil {
			lock, err = store.LockFolder(cfg.Data)
		}
	}
	if err != nil {
		return out, err
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	take := cfg.Database.Begin // where it is not there yet
	if cfg.To == ToFolder {
		take = cfg.Database.Take
	}
	lease, err := unserved(ctx, cfg.Data, take)
	if err != nil {
		return out, err
	}
	defer func() { err = errors.Join(err, lease.Give()) }()
	m := &move{cfg: cfg, lease: lease, folder: trust.InFolder(cfg.Data), database: leased(cfg.Data, lease)}
	m.folder.Truth = store.OpenJournal(nil, cfg.Data, 0)
	m.from, m.to = m.folder, m.database
	if cfg.To == ToFolder {
		m.from, m.to = m.database, m.folder
	}
	if err := m.may(); err != nil {
		return out, err
	}
	return m.run(ctx)
}

// unserved takes a practice in a database that no process serves, by Begin or Take.
func unserved(ctx context.Context, data string, take func(ctx context.Context, practice, address string) (*pg.Lease, error)) (*pg.Lease, error) {
	name, err := NameOf(data)
	if err != nil {
		return nil, err
	}
	lease, err := take(ctx, name, "")
	var held *pg.Held
	switch {
	case errors.As(err, &held):
		return nil, refusal.Conflict("database", name, "a practice that no process serves").Because(held.Error() + "; stop it first")
	case errors.Is(err, fs.ErrNotExist):
		return nil, refusal.New("data", data, "a folder with the name of a practice in the database")
	}
	return lease, err
}

// move is one that is on.
type move struct {
	cfg              MoveConfig
	lease            *pg.Lease
	folder, database trust.Place
	from, to         trust.Place
}

// may refuses where there is nothing to move, or where something else would be lost.
func (m *move) may() error {
	left, half := wholefile.There(m.from.Names, movedFile), wholefile.There(m.to.Names, movedFile)
	if left && !half {
		return isElsewhere(m.from)
	}
	if !m.from.Begun() {
		return refusal.Conflict("data", m.cfg.Data, "a practice that was begun").Because("there is none in the place from which it is to move")
	}
	if !half && (m.to.Begun() || wholefile.There(m.to.Names, vault.FileName)) {
		return refusal.Conflict("data", m.cfg.Data, "a place without a practice, to which it can move").Because("there is one already; nothing was changed")
	}
	return nil
}

func (m *move) run(ctx context.Context) (out Moved, err error) {
	home, err := trust.OpenIn(m.from, m.cfg.Secret, vault.DefaultCost, rand.Reader)
	if err != nil {
		return out, err
	}
	if home.Joined == nil {
		return out, refusal.Conflict("data", m.cfg.Data, "a practice that was begun whole").Because("its `server init` was broken off: run it again")
	}
	out.Practice = home.Joined.PracticeName
	if err := m.empty(ctx); err != nil {
		return out, err
	}
	if out.Files, err = m.small(); err != nil {
		return out, err
	}
	if out.Records, out.SHA256, err = m.records(ctx, home.Vault); err != nil {
		return out, err
	}
	print, err := printOf(home)
	if err == nil && m.cfg.To == ToDatabase {
		err = m.lease.Called(ctx, print)
	}
	if err != nil {
		return out, err
	}
	if err := m.from.Names.Write(movedFile, m.away()); err != nil {
		return out, err
	}
	return out, m.to.Names.Remove(movedFile)
}

// away is the mark of the old place.
func (m *move) away() []byte {
	at := cmp.Or[clock.Clock](m.cfg.Clock, clock.System{}).Now().UTC().Format("2006-01-02 15:04 UTC")
	there, flag := "a database, under the name of this folder", "with --database"
	if m.cfg.To == ToFolder {
		there, flag = "the folder "+m.cfg.Data, "without --database"
	}
	return fmt.Appendf(nil, "it was moved to %s at %s: start its server %s, or move it back with `thawtrail server move`", there, at, flag)
}

// empty marks the new place and takes out of it what an earlier move left.
func (m *move) empty(ctx context.Context) error {
	half := []byte("not all of it came here: run the same `thawtrail server move` again")
	if err := m.to.Names.Write(movedFile, half); err != nil {
		return err
	}
	// The index, and how far the journal reached, are of the place where records lay.
	if err := errors.Join(os.RemoveAll(indexIn(m.cfg.Data)), reach.Forget(m.cfg.Data)); err != nil {
		return err
	}
	if m.cfg.To == ToFolder {
		return os.RemoveAll(filepath.Join(m.cfg.Data, "journal"))
	}
	if err := m.lease.Empty(ctx); err != nil {
		return err
	}
	return m.to.Names.Write(movedFile, half)
}

// small copies the small files and reads them back.
func (m *move) small() (n int, err error) {
	names, err := m.from.Small()
	if err == nil && wholefile.There(m.from.Names, epochFile) {
		names = append(names, epochFile)
	}
	for i := 0; err == nil && i < len(names); i++ {
		var contents, back []byte
		if contents, err = m.from.Names.Read(names[i], vault.MaxBox); err != nil {
			break
		}
		if err = m.to.Names.Write(names[i], contents); err != nil {
			break
		}
		if back, err = m.to.Names.Read(names[i], vault.MaxBox); err == nil && !bytes.Equal(back, contents) {
			err = fmt.Errorf("%s was read back and is not what was written", m.to.Names.Place(names[i]))
		}
	}
	return len(names), err
}

// records copies the records, and reads them back.
func (m *move) records(ctx context.Context, v *vault.Vault) (n int64, sum [sha256.Size]byte, err error) {
	opening := store.Opening{Key: v.Key(vault.Journal), KeyID: v.ID(), Random: rand.Reader, Now: clock.System{}.Now}
	from, report, err := m.from.Truth(ctx, opening)
	if err != nil {
		return n, sum, err
	}
	defer func() { err = errors.Join(err, from.Close()) }()
	if len(report.Damaged) > 0 {
		return n, sum, damaged(m.cfg.Data)
	}
	to, _, err := m.to.Truth(ctx, opening)
	if err != nil {
		return n, sum, err
	}
	defer func() { err = errors.Join(err, to.Close()) }()
	n, sum, err = store.Copy(ctx, from, to)
	if errors.Is(err, store.ErrHoles) {
		err = damaged(m.cfg.Data)
	}
	return n, sum, err
}

// damaged is a place whose records cannot all be read.
func damaged(data string) error {
	return refusal.Conflict("data", data, "a practice whose records can all be read").
		Because("some are damaged: start its server, so that laptops bring them again, and move it then")
}
