package trust

import (
	"crypto/rand"
	"errors"
	"io/fs"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"thawtrail/internal/refusal"
	"thawtrail/internal/store/reach"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
)

// contentsFile names the secret files that were written in a folder. So one that
// was never needed can be told from one that is gone: what is gone is not made
// anew, for then this machine would go on as another one, or forget who may sign.
//
// It holds nothing that cannot be found again. Where it is absent, as in folders
// that are older than it, the files that are there are taken for all of them.
const contentsFile = "contents.box"

// remedies say, of each file that is not made anew in silence, what to do when it
// is gone and no copy of the folder has it.
var remedies = map[string]string{
	vault.FileName: "without it nothing here can be read: move this folder aside, and join again with a new code",
	deviceFile:     "without it this machine cannot go on with what it wrote: move this folder aside, keep it, and join again with a new code",
	practiceFile:   "without it this machine does not know its practice: move this folder aside, keep it, and join again with a new code",
	AuthorityFile:  "without it no laptop can join: make the server anew from its recovery sheet with `thawtrail server restore`",
	"server.key":   "without one, `thawtrail losses --anew server.key` begins it anew: the authority signs it, and laptops trust that",
	"phone.key":    "without one, `thawtrail losses --anew phone.key` begins it anew, and each phone is to compare the new fingerprint and be paired again",
	fieldsFile:     "without one, `thawtrail losses --anew " + fieldsFile + "` begins it anew, and the keys come again from the server and its laptops",
	pinsFile:       "without one, `thawtrail losses --anew " + pinsFile + "` begins it anew, and people set new PINs",
}

// renewable are the files that a person may begin anew.
var renewable = []string{fieldsFile, pinsFile, "phone.key", "server.key"}

// remade say, of each file that is begun anew by itself, what that means: nobody
// comes in who did not before. It stands in the status until a person has read it.
var remade = map[string]string{
	charterFile:   "the founding and the members are written there again from the journal",
	"invites.box": "one-time codes that were made and not used yet do not count any more; make new ones",
	keptFile:      "when the books were last saved, and which steps of the first hour were ticked by hand, is not known any more",
	"phones.box":  "phones that were paired are not known any more; pair them again",
}

// Missing is a file of a folder that is gone. It is a refusal.
type Missing struct {
	Name string
	why  *refusal.Error
}

func missing(place Place, name string) *Missing {
	why := refusal.Conflict("data", place.Dir, "a folder with its file "+name).
		Because("it is missing: put it back from a copy of this folder; " + remedies[name])
	if place.Truth != nil {
		why = refusal.Conflict("data", place.Dir, "a practice with "+place.Names.Place(name)).
			Because("it is missing: put it back from an earlier image of the database, or make the server anew from its recovery sheet in another place with `thawtrail server restore`")
	}
	return &Missing{name, why}
}

// Error names the file and what to do.
func (m *Missing) Error() string { return m.why.Error() }

// Unwrap gives the refusal.
func (m *Missing) Unwrap() error { return m.why }

// contents are the files that must be there.
type contents struct {
	mu    sync.Mutex
	names []string
	save  func([]byte) error
}

// readContents reads the list and adds to it what is there and not in it: a crash
// may have come between a file and its note.
func (h *Home) readContents() error {
	h.contents.save = func(data []byte) error {
		return h.Vault.WriteBox(h.Names, contentsFile, vault.Contents, data, h.random)
	}
	data, err := h.Vault.ReadBox(h.Names, contentsFile, vault.Contents)
	switch {
	case err == nil:
		h.contents.names = strings.Fields(string(data))
	case errors.Is(err, fs.ErrNotExist) || errors.Is(err, vault.ErrDamaged):
		// It is made again from what is there.
	default:
		return err
	}
	for _, name := range slices.Concat(slices.Collect(maps.Keys(remedies)), slices.Collect(maps.Keys(remade))) {
		if (h.there(name) || name == deviceFile && h.Begun()) && !slices.Contains(h.contents.names, name) {
			h.contents.names = append(h.contents.names, name)
		}
	}
	if noted := strings.Fields(string(data)); len(h.contents.names) > len(noted) {
		_ = h.contents.note() // made up for at the next start
	}
	return nil
}

// there says that a file is in its place, or may be: what cannot be asked is not
// taken for gone.
func (h *Home) there(name string) bool {
	return wholefile.There(h.Names, name)
}

// Remake tells of files that are gone and are begun anew by themselves, or were put
// right, and takes the former off the list. It is called before the replica is opened, which says again what
// nobody has read. What cannot be told on a full disk is told at the next start.
func (h *Home) Remake(now time.Time) error {
	for _, text := range h.mended {
		if err := reach.Tell(h.Dir, reach.Notice{FoundUs: now.UnixMicro(), Text: text}); err != nil {
			return err
		}
	}
	for _, name := range slices.Sorted(maps.Keys(remade)) {
		if !h.must(name) || h.there(name) {
			continue
		}
		text := name + " was missing from " + h.Dir + " and is begun anew: " + remade[name]
		if err := reach.Tell(h.Dir, reach.Notice{FoundUs: now.UnixMicro(), Text: text}); err != nil {
			return err
		}
		if err := h.contents.drop(name); err != nil {
			return err
		}
	}
	return nil
}

// must says that a file was written here once.
func (h *Home) must(name string) bool {
	h.contents.mu.Lock()
	defer h.contents.mu.Unlock()
	return slices.Contains(h.contents.names, name)
}

// Belongs says that the folder joined or founded a practice once.
func (h *Home) Belongs() bool { return h.must(practiceFile) }

// wrote notes that a file is there, and must be from now on. That fails on a full
// disk, and is made up for at the next start.
func (h *Home) wrote(name string) {
	h.contents.mu.Lock()
	defer h.contents.mu.Unlock()
	_, strict := remedies[name]
	_, told := remade[name]
	if !strict && !told || slices.Contains(h.contents.names, name) {
		return
	}
	h.contents.names = append(h.contents.names, name)
	_ = h.contents.note()
}

// note writes the list down; the lock is held, or nobody else is there yet.
func (c *contents) note() error {
	slices.Sort(c.names)
	return c.save([]byte(strings.Join(c.names, "\n")))
}

// drop takes a file off the list, so that it may be made anew.
func (c *contents) drop(name string) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.names = slices.DeleteFunc(c.names, func(n string) bool { return n == name })
	return c.note()
}

// absent is what a file's absence means: an error when it was there once.
func (h *Home) absent(name string) error {
	if _, strict := remedies[name]; strict && h.must(name) {
		return missing(h.Place, name)
	}
	return nil
}

// Gone lists the files of a place that are missing.
func Gone(place Place, secret *vault.Secret) ([]*Missing, error) {
	h, err := look(place, secret)
	if err != nil {
		return nil, err
	}
	var out []*Missing
	for _, name := range h.contents.names {
		if _, strict := remedies[name]; strict && !h.there(name) {
			out = append(out, missing(place, name))
		}
	}
	return out, nil
}

// BeginAnew takes a missing file off the list, so that the next start makes it.
func BeginAnew(place Place, secret *vault.Secret, name string) error {
	h, err := look(place, secret)
	if err != nil {
		return err
	}
	switch {
	case h.there(name) || !h.must(name):
		return refusal.Conflict("anew", name, "a file that is missing here")
	case !slices.Contains(renewable, name):
		return missing(place, name)
	}
	return h.contents.drop(name)
}

// look opens no more of a place than the list of its files.
func look(place Place, secret *vault.Secret) (*Home, error) {
	v, err := openVault(place, secret)
	if err != nil {
		return nil, err
	}
	h := &Home{Place: place, Vault: v, random: rand.Reader}
	return h, h.readContents()
}
