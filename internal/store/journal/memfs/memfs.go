// Package memfs is a disk in memory that can crash.
//
// It keeps what was synced apart from what was only written, and can make a
// copy of the disk as a power cut would leave it: every unsynced write lost,
// torn or kept, every unsynced name lost or kept, each on its own. It injects
// faults, and it has a size. Simulations and tests use it in place of the real
// disk; it follows the contract of journal.FS.
//
// A failed sync is modelled as Linux does it: the pages count as clean
// afterwards, so a later sync answers well and writes nothing.
package memfs

import (
	"bytes"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"

	"thawtrail/internal/store/journal"
)

// Kind names an operation for the fault hook.
type Kind int

// The operations that can fail.
const (
	Create Kind = iota
	OpenRead
	OpenWrite
	Remove
	ReadDir
	Write
	Read
	Sync
	SyncDir
)

// Op is one operation about to happen.
type Op struct {
	Kind   Kind
	Path   string
	Size   int   // bytes to write or read
	Offset int64 // where
}

// Fault is what happens instead. A nil Err lets the operation through.
type Fault struct {
	Err error
	// Bytes of a write that reach the file before Err.
	Bytes int
	// Applied lets the operation happen although Err is returned.
	Applied bool
}

// FS is the disk. The zero value is not usable; see New.
type FS struct {
	mu       sync.Mutex
	names    map[string]*node // as a running program sees them
	durable  map[string]*node // as they survive
	dirs     map[string]bool
	capacity int // bytes, 0 for no bound
	hook     func(Op) Fault
	changes  uint64
}

// node is a file's contents.
type node struct {
	data   content // as a running program sees them
	synced content // as they survive
	dirty  []write // written since the last sync, in order
	doomed []write // given up by a failed sync: no later sync saves them
}

// content is bytes that several files may share until one of them changes: disks
// are copied far more often than their large files are written.
type content struct {
	bytes  []byte
	shared bool
}

// share gives the same bytes to another one.
func (c *content) share() content {
	c.shared = true
	return *c
}

// own makes the bytes safe to change.
func (c *content) own() []byte {
	if c.shared {
		c.bytes, c.shared = slices.Clone(c.bytes), false
	}
	return c.bytes
}

// apply lays a write over the bytes, with zeros in a gap.
func (c *content) apply(w write) {
	if len(c.bytes) == 0 && w.off == 0 {
		c.bytes, c.shared = w.data, true
		return
	}
	data := c.own()
	if end := w.off + len(w.data); end > len(data) {
		data = append(data, make([]byte, end-len(data))...)
	}
	copy(data[w.off:], w.data)
	c.bytes = data
}

// write is one write; its data are never changed.
type write struct {
	off  int
	data []byte
}

// large is how long a write is that is kept once however often it comes, and once the
// newest of them: journals begin with one, whole or as far as the disk takes it.
const large = 1 << 20

var once atomic.Pointer[[]byte]

// copied are the bytes of a write, which its caller may change afterwards.
func copied(p []byte) []byte {
	if kept := once.Load(); kept != nil && len(p) > large/16 && bytes.HasPrefix(*kept, p) {
		return (*kept)[:len(p):len(p)]
	}
	if len(p) < large {
		return slices.Clone(p)
	}
	c := slices.Clone(p)
	once.Store(&c)
	return c
}

// New gives an empty disk.
func New() *FS {
	return &FS{names: map[string]*node{}, durable: map[string]*node{}, dirs: map[string]bool{}}
}

// SetCapacity bounds the bytes in all files; 0 takes the bound away.
func (m *FS) SetCapacity(bytes int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.capacity = bytes
}

// SetHook is asked before every operation, under the disk's lock: it must not
// use the disk. Nil injects nothing.
func (m *FS) SetHook(hook func(Op) Fault) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.hook = hook
}

// Changes counts what changed what a running program sees: between two equal counts
// of one disk it reads the same.
func (m *FS) Changes() uint64 {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.changes
}

// fault asks the hook; the lock is held.
func (m *FS) fault(op Op) Fault {
	if m.hook == nil {
		return Fault{}
	}
	return m.hook(op)
}

func pathError(op, path string, err error) error {
	return &fs.PathError{Op: op, Path: path, Err: err}
}

// MkdirAll makes a directory; directories are durable at once.
func (m *FS) MkdirAll(dir string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.dirs[filepath.Clean(dir)] = true
	return nil
}

// Create makes an empty file.
func (m *FS) Create(path string) (journal.File, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	path = filepath.Clean(path)
	f := m.fault(Op{Kind: Create, Path: path})
	if f.Err != nil && !f.Applied {
		return nil, pathError("create", path, f.Err)
	}
	if m.names[path] != nil {
		return nil, pathError("create", path, fs.ErrExist)
	}
	if !m.dirs[filepath.Dir(path)] {
		return nil, pathError("create", path, fs.ErrNotExist)
	}
	n := &node{}
	m.names[path] = n
	m.changes++
	if f.Err != nil {
		return nil, pathError("create", path, f.Err)
	}
	return &file{fs: m, node: n, path: path, writable: true}, nil
}

// OpenRead opens a file for reading.
func (m *FS) OpenRead(path string) (journal.File, error) { return m.open(OpenRead, path) }

// OpenWrite opens a file for writing.
func (m *FS) OpenWrite(path string) (journal.File, error) { return m.open(OpenWrite, path) }

func (m *FS) open(kind Kind, path string) (journal.File, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	path = filepath.Clean(path)
	if f := m.fault(Op{Kind: kind, Path: path}); f.Err != nil {
		return nil, pathError("open", path, f.Err)
	}
	n := m.names[path]
	if n == nil {
		return nil, pathError("open", path, fs.ErrNotExist)
	}
	return &file{fs: m, node: n, path: path, writable: kind == OpenWrite}, nil
}

// Remove deletes a name; open files go on.
func (m *FS) Remove(path string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	path = filepath.Clean(path)
	f := m.fault(Op{Kind: Remove, Path: path})
	if f.Err != nil && !f.Applied {
		return pathError("remove", path, f.Err)
	}
	if m.names[path] == nil {
		return pathError("remove", path, fs.ErrNotExist)
	}
	delete(m.names, path)
	m.changes++
	return f.Err
}

// ReadDir lists files by name.
func (m *FS) ReadDir(dir string) ([]journal.Entry, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	dir = filepath.Clean(dir)
	if f := m.fault(Op{Kind: ReadDir, Path: dir}); f.Err != nil {
		return nil, pathError("readdir", dir, f.Err)
	}
	if !m.dirs[dir] {
		return nil, pathError("readdir", dir, fs.ErrNotExist)
	}
	var entries []journal.Entry
	for path, n := range m.names {
		if filepath.Dir(path) == dir {
			entries = append(entries, journal.Entry{Name: filepath.Base(path), Size: int64(len(n.data.bytes))})
		}
	}
	slices.SortFunc(entries, func(a, b journal.Entry) int { return strings.Compare(a.Name, b.Name) })
	return entries, nil
}

// SyncDir makes the names of a directory survive.
func (m *FS) SyncDir(dir string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	dir = filepath.Clean(dir)
	f := m.fault(Op{Kind: SyncDir, Path: dir})
	if f.Err != nil && !f.Applied {
		return pathError("syncdir", dir, f.Err)
	}
	for path := range m.durable {
		if filepath.Dir(path) == dir && m.names[path] == nil {
			delete(m.durable, path)
		}
	}
	for path, n := range m.names {
		if filepath.Dir(path) == dir {
			m.durable[path] = n
		}
	}
	return f.Err
}

// Free is what is left of the capacity; without a bound there is plenty.
func (m *FS) Free(string) (uint64, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.capacity == 0 {
		return 1 << 40, nil
	}
	return uint64(max(0, m.capacity-m.used())), nil
}

// Flip inverts bits of one byte of a file, in what runs and in what survives:
// decay, not a crash.
func (m *FS) Flip(path string, off int, mask byte) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	n := m.names[filepath.Clean(path)]
	if n == nil || off >= len(n.data.bytes) {
		return fmt.Errorf("memfs: no byte %d in %s", off, path)
	}
	n.data.own()[off] ^= mask
	if off < len(n.synced.bytes) {
		n.synced.own()[off] ^= mask
	}
	m.changes++
	return nil
}

// used is the sum of all files; the lock is held.
func (m *FS) used() int {
	total := 0
	for _, n := range m.names {
		total += len(n.data.bytes)
	}
	return total
}

// file is an open handle.
type file struct {
	fs       *FS
	node     *node
	path     string
	writable bool
	closed   bool
}

func (f *file) ReadAt(p []byte, off int64) (int, error) {
	f.fs.mu.Lock()
	defer f.fs.mu.Unlock()
	if f.closed {
		return 0, pathError("read", f.path, fs.ErrClosed)
	}
	if fault := f.fs.fault(Op{Kind: Read, Path: f.path, Size: len(p), Offset: off}); fault.Err != nil {
		return 0, pathError("read", f.path, fault.Err)
	}
	if off >= int64(len(f.node.data.bytes)) {
		return 0, io.EOF
	}
	n := copy(p, f.node.data.bytes[off:])
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

func (f *file) WriteAt(p []byte, off int64) (int, error) {
	f.fs.mu.Lock()
	defer f.fs.mu.Unlock()
	if f.closed || !f.writable {
		return 0, pathError("write", f.path, fs.ErrClosed)
	}
	fault := f.fs.fault(Op{Kind: Write, Path: f.path, Size: len(p), Offset: off})
	n, err := len(p), fault.Err
	if err != nil && !fault.Applied {
		n = min(fault.Bytes, n)
	}
	grow := max(0, int(off)+n-len(f.node.data.bytes))
	if free := f.fs.capacity - f.fs.used(); f.fs.capacity > 0 && grow > free {
		n, err = max(0, n-(grow-free)), journal.ErrNoSpace
	}
	f.node.put(write{int(off), copied(p[:n])})
	f.fs.changes++
	if err != nil {
		return n, pathError("write", f.path, err)
	}
	return n, nil
}

// put applies a write to what a running program sees.
func (n *node) put(w write) {
	n.data.apply(w)
	n.dirty = append(n.dirty, w)
}

func (f *file) Sync() error {
	f.fs.mu.Lock()
	defer f.fs.mu.Unlock()
	if f.closed || !f.writable {
		return pathError("sync", f.path, fs.ErrClosed)
	}
	fault := f.fs.fault(Op{Kind: Sync, Path: f.path})
	n := f.node
	if fault.Err != nil && !fault.Applied {
		n.doomed = append(n.doomed, n.dirty...)
		n.dirty = nil
		return pathError("sync", f.path, fault.Err)
	}
	for _, w := range n.dirty {
		n.synced.apply(w)
	}
	n.dirty = nil
	return fault.Err
}

func (f *file) Close() error {
	f.fs.mu.Lock()
	defer f.fs.mu.Unlock()
	if f.closed {
		return pathError("close", f.path, fs.ErrClosed)
	}
	f.closed = true
	return nil
}
