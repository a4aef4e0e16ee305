package memfs

import (
	"maps"
	"slices"
)

// Choose picks one of n outcomes, 0 to n-1. A crash asks it once for each thing
// that was not synced, in a fixed order, so the same answers give the same disk.
type Choose func(n int) int

// The outcomes that Choose picks from.
const (
	lost = iota
	kept
	torn
)

// Lose loses everything that was not synced.
func Lose(int) int { return lost }

// Keep keeps everything, as when only the process died.
func Keep(int) int { return kept }

// CrashClone copies the disk as a power cut at this moment would leave it. The
// original goes on. The copy has no faults to inject and the same capacity.
func (m *FS) CrashClone(choose Choose) *FS {
	m.mu.Lock()
	defer m.mu.Unlock()
	after := New()
	after.capacity = m.capacity
	maps.Copy(after.dirs, m.dirs)
	done := map[*node]*node{}
	for _, path := range m.paths() {
		n := m.survivor(path, choose)
		if n == nil {
			continue
		}
		if done[n] == nil {
			done[n] = n.crash(choose)
		}
		after.names[path], after.durable[path] = done[n], done[n]
	}
	return after
}

// paths are all names, durable or not, in order.
func (m *FS) paths() []string {
	all := map[string]bool{}
	for p := range m.names {
		all[p] = true
	}
	for p := range m.durable {
		all[p] = true
	}
	return slices.Sorted(maps.Keys(all))
}

// survivor is the file that a name leads to afterwards.
func (m *FS) survivor(path string, choose Choose) *node {
	now, safe := m.names[path], m.durable[path]
	if now == safe || choose(2) == lost {
		return safe
	}
	return now
}

// crash is what is left of a file: the synced bytes, and of each later write
// nothing, all, or a first part.
func (n *node) crash(choose Choose) *node {
	data := n.synced.share()
	for _, w := range slices.Concat(n.doomed, n.dirty) {
		switch choose(3) {
		case kept:
			data.apply(w)
		case torn:
			data.apply(write{w.off, w.data[:choose(len(w.data)+1)]})
		}
	}
	return &node{data: data.share(), synced: data.share()}
}
