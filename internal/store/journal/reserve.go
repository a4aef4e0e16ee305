package journal

import (
	"bytes"
	"errors"
	"path/filepath"
	"sync"
	"time"
)

const (
	reserveName  = "reserve"
	reserveBytes = 1 << 20
	// reserveEvery spaces the attempts to make the reserve again.
	reserveEvery = time.Minute
)

// reserve is a file of known size that is given up when the disk is full.
// It is owned by the commit lock.
type reserve struct {
	fs    FS
	dir   string
	held  bool
	tried time.Time
}

// fill makes the file unless it is whole. Failure is not an error of the
// journal: it shows in ReserveUsed and is tried again later.
func (r *reserve) fill(now time.Time) {
	r.tried = now
	if r.held = r.whole(); r.held {
		return
	}
	path := filepath.Join(r.dir, reserveName)
	_ = r.fs.Remove(path)
	if err := r.write(path); err != nil {
		_ = r.fs.Remove(path)
		return
	}
	r.held = true
}

// fillLater tries again once in a while after the reserve was used.
func (r *reserve) fillLater(now time.Time) {
	if since := now.Sub(r.tried); !r.held && (since >= reserveEvery || since < 0) {
		r.fill(now)
	}
}

// release removes the file; true when that made room.
func (r *reserve) release() bool {
	if !r.held {
		return false
	}
	r.held = false
	return r.fs.Remove(filepath.Join(r.dir, reserveName)) == nil
}

func (r *reserve) whole() bool {
	entries, err := r.fs.ReadDir(r.dir)
	for _, e := range entries {
		if err == nil && e.Name == reserveName {
			return e.Size == reserveBytes
		}
	}
	return false
}

// patterns keep what a reserve is filled with while journals are begun one after the
// other: it is not zero, since a file system may keep no room for zeros.
var patterns = sync.Pool{New: func() any {
	text := []byte("kept free for records. ")
	pattern := bytes.Repeat(text, reserveBytes/len(text)+1)[:reserveBytes]
	return &pattern
}}

// write fills the file with the pattern.
func (r *reserve) write(path string) error {
	f, err := r.fs.Create(path)
	if err != nil {
		return err
	}
	pattern := patterns.Get().(*[]byte)
	_, err = f.WriteAt(*pattern, 0)
	patterns.Put(pattern)
	if err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}
