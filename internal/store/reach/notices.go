package reach

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"

	"thawtrail/internal/wholefile"
)

// Notice is something that was found to be gone. It is said at every start and by
// every check until a person has read it.
type Notice struct {
	FoundUs int64  `json:"found_us"` // since 1970, by the clock of this machine
	Text    string `json:"text"`
	Seen    bool   `json:"seen"`
}

const (
	noticesFile = "losses.json"
	maxNotices  = 50
	maxFile     = 256 << 10
)

// Notices are all that were kept in a folder, the oldest first.
func Notices(dir string) (list []Notice, err error) {
	raw, err := wholefile.Read(filepath.Join(dir, noticesFile), maxFile)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err == nil {
		err = json.Unmarshal(raw, &list)
	}
	if err != nil {
		return nil, fmt.Errorf("what was found to be gone cannot be read: %s: %w", noticesFile, err)
	}
	return list, nil
}

// Unread are the notices that nobody has read yet.
func Unread(dir string) ([]Notice, error) {
	list, err := Notices(dir)
	return slices.DeleteFunc(list, func(n Notice) bool { return n.Seen }), err
}

// Tell keeps a notice, once, until a person has read it.
func Tell(dir string, n Notice) error {
	list, err := Notices(dir)
	if err != nil {
		list = nil // what cannot be read must not keep the next one out
	}
	if slices.ContainsFunc(list, func(old Notice) bool { return old.Text == n.Text && !old.Seen }) {
		return nil
	}
	list = append(list, n)
	return keep(dir, list[max(0, len(list)-maxNotices):])
}

// Seen takes a person's word that all notices were read.
func Seen(dir string) error {
	list, err := Notices(dir)
	if err != nil {
		return err
	}
	for i := range list {
		list[i].Seen = true
	}
	return keep(dir, list)
}

// Untell takes notices back that hold no more, whether they were read or not.
func Untell(dir string, texts ...string) error {
	list, err := Notices(dir)
	if err != nil {
		return err
	}
	left := slices.DeleteFunc(slices.Clone(list), func(n Notice) bool { return slices.Contains(texts, n.Text) })
	if len(left) == len(list) {
		return nil
	}
	return keep(dir, left)
}

func keep(dir string, list []Notice) error {
	raw, err := json.MarshalIndent(list, "", "  ")
	if err != nil {
		return err
	}
	return wholefile.Write(filepath.Join(dir, noticesFile), append(raw, '\n'))
}
