package server

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"time"

	"thawtrail/internal/store"
	"thawtrail/internal/wholefile"
)

// keptIndex is what a closed practice of a database has on this machine, so that its next
// opening need not read every record again.
type keptIndex struct {
	of    *hosted
	bytes int64
	since time.Time // when it was closed
}

// indexIn is where the index of a practice's folder lies.
func indexIn(data string) string { return filepath.Join(data, "index") }

// indexOf measures the index of a practice that is closed.
func indexOf(p *hosted) keptIndex {
	k := keptIndex{of: p, bytes: wholefile.Bytes(indexIn(p.dir))}
	if info, err := os.Stat(indexIn(p.dir)); err == nil {
		k.since = info.ModTime() // a close leaves its mark there last
	}
	return k
}

// boundIndexes keeps the indexes of closed practices within their room until ctx ends. The
// index of a practice that lies in a folder stays there.
func (h *host) boundIndexes(ctx context.Context) error {
	if h.cfg.Database == nil {
		return nil
	}
	for {
		h.dropIndexes()
		select {
		case <-ctx.Done():
			return nil
		case <-h.closes:
		}
	}
}

// dropIndexes drops those that were closed first.
func (h *host) dropIndexes() {
	kept, bytes := h.keptIndexes()
	for _, k := range kept {
		if bytes <= h.cfg.IndexBytes {
			return
		}
		if err := h.dropIndex(k.of); err != nil {
			h.cfg.Log.Error("the index of a closed practice cannot be dropped", "practice", k.of.name, "error", err)
			continue
		}
		bytes -= k.bytes
	}
}

// keptIndexes are those of closed practices, the first closed first, and what all take.
func (h *host) keptIndexes() (kept []keptIndex, bytes int64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, p := range h.practices {
		if p.run == nil && p.kept.bytes > 0 {
			kept = append(kept, p.kept)
			bytes += p.kept.bytes
		}
	}
	slices.SortFunc(kept, func(a, b keptIndex) int { return a.since.Compare(b.since) })
	return kept, bytes
}

// dropIndex removes the index of a practice unless it was opened meanwhile. Who wants to open
// it waits.
func (h *host) dropIndex(p *hosted) (err error) {
	dropped := make(chan struct{})
	h.mu.Lock()
	open := p.run != nil
	if !open {
		p.dropping = dropped
	}
	h.mu.Unlock()
	if open {
		return nil
	}
	lock, err := store.LockFolder(p.dir)
	if err == nil {
		err = errors.Join(os.RemoveAll(indexIn(p.dir)), lock.Close())
	}
	h.mu.Lock()
	p.kept, p.dropping = indexOf(p), nil
	h.mu.Unlock()
	close(dropped)
	return err
}
