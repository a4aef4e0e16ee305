package server

import (
	"bytes"
	"encoding/hex"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/clock"
	"thawtrail/internal/event"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/reach"
	"thawtrail/internal/trust/authority"
)

// opened is an open server that nobody calls, with its second place.
func opened(t *testing.T) *charter {
	t.Helper()
	dir := t.TempDir()
	_, err := Init(t.Context(), InitConfig{Data: dir, Practice: "Alder Creek Equine", Zone: "Australia/Sydney", Owner: "M. Alder"})
	require.NoError(t, err)
	cfg := Config{Data: dir, Clock: clock.System{}}
	require.NoError(t, cfg.fill())
	home, err := openPractice(cfg)
	require.NoError(t, err)
	h, err := openHome(t.Context(), cfg, home)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, h.replica.Store.Close()) })
	c, _, err := h.members(t.Context(), &authority.Links{})
	require.NoError(t, err)
	require.NoError(t, c.reread(t.Context()))
	return c
}

// spoil changes one byte of the record that founded the practice, in the journal.
func (c *charter) spoil(t *testing.T) {
	t.Helper()
	dir := filepath.Join(c.h.home.Dir, "journal")
	j, _, err := journal.Open(journal.Options{FS: journal.OSFS{}, Dir: dir, ReadOnly: true, Now: time.Now})
	require.NoError(t, err)
	var at journal.Position
	require.NoError(t, j.Scan(journal.Position{}, func(p journal.Position, frame []byte) error {
		r, err := event.Decode(bytes.Clone(frame))
		if err == nil && r.Head.Type == event.TypePracticeFounded {
			at = p
		}
		return err
	}, nil))
	require.NoError(t, j.Close())
	path := filepath.Join(dir, "0000000001.journal")
	raw, err := os.ReadFile(path)
	require.NoError(t, err)
	raw[at.Offset+40] ^= 1
	require.NoError(t, os.WriteFile(path, raw, 0o600))
}

// What the server stands on is mended while it runs: a record that the journal lost
// comes back from the second place, and a second place that decayed is written anew.
// So what fails later finds the other one whole.
func TestBothPlacesAreReread(t *testing.T) {
	c := opened(t)
	store := c.h.replica.Store
	founding := hex.EncodeToString(c.h.home.Joined.Founding)
	_, err := store.FindRecord(founding)
	require.NoError(t, err)
	c.spoil(t)
	require.NoError(t, store.Scrub(t.Context()))
	_, err = store.FindRecord(founding)
	require.Error(t, err)
	require.NoError(t, c.reread(t.Context()))
	_, err = store.FindRecord(founding)
	require.NoError(t, err, "it is there again")
	require.Contains(t, strings.Join(store.Repairs(), "\n"), "brought back from their second place")
	records := store.Records()

	require.NoError(t, os.WriteFile(filepath.Join(c.h.home.Dir, "charter.box"), []byte("garbage"), 0o600))
	require.NoError(t, c.reread(t.Context()))
	told, err := reach.Unread(c.h.home.Dir)
	require.NoError(t, err)
	require.Len(t, told, 1)
	require.Contains(t, told[0].Text, "charter.box could not be read any more and is written anew")
	require.NoError(t, c.reread(t.Context()))
	require.Equal(t, records, store.Records(), "once")
	again, err := openPractice(Config{Data: c.h.home.Dir})
	require.NoError(t, err)
	_, whole := again.Charter()
	require.True(t, whole)
}
