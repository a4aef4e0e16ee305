package site

import (
	"slices"
	"strings"
	"sync"

	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// Flash is what the next page says about the POST before it.
type Flash struct {
	Text     string
	Saved    string
	NoProof  string // why an act has no proof of who did it
	Repeated bool
	Cautions []*Caution
	Undo     string // the record, while its author may take it back without a word
}

// Caution is a caution as pages show it.
type Caution struct{ Code, Level, Text string }

// Cautions are the cautions of an answer, the gravest first.
func Cautions(in []*pb.Caution) []*Caution {
	var out []*Caution
	for _, c := range in {
		out = append(out, &Caution{c.Code, c.Level, c.Text})
	}
	return Gravest(out)
}

// Gravest puts the gravest caution first: pages show that one, and unfold the others
// behind it.
func Gravest(list []*Caution) []*Caution {
	levels := []string{"note", "caution", "reason"}
	slices.SortStableFunc(list, func(a, b *Caution) int { return slices.Index(levels, b.Level) - slices.Index(levels, a.Level) })
	return list
}

// flashes keeps, for each session, what it is to be told next and which holds it
// has been told of. Bounded: the oldest session is forgotten.
type flashes struct {
	mu    sync.Mutex
	order []string
	of    map[string]*remembered
}

type remembered struct {
	next  *Flash
	holds map[string]bool
}

const (
	maxRemembered = 256
	maxHoldsSeen  = 256
)

// get finds or makes the memory of a session; the caller holds the lock.
func (f *flashes) get(id string) *remembered {
	if f.of == nil {
		f.of = map[string]*remembered{}
	}
	m, ok := f.of[id]
	if !ok {
		m = &remembered{holds: map[string]bool{}}
		f.of[id] = m
		f.order = append(f.order, id)
		if len(f.order) > maxRemembered {
			delete(f.of, f.order[0])
			f.order = f.order[1:]
		}
	}
	return m
}

func (f *flashes) put(id string, fl *Flash) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.get(id).next = fl
}

// take gives what is to be told, once; a fragment leaves it for the page.
func (f *flashes) take(id string, leave bool) *Flash {
	f.mu.Lock()
	defer f.mu.Unlock()
	m := f.get(id)
	if leave {
		return nil
	}
	out := m.next
	m.next = nil
	return out
}

func (f *flashes) seeHold(id, hold string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	m := f.get(id)
	if len(m.holds) >= maxHoldsSeen {
		clear(m.holds)
	}
	m.holds[hold] = true
}

func (f *flashes) sawHold(id, hold string) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.get(id).holds[hold]
}

// Tell puts a sentence on the next page.
func (req *Request) Tell(text string) { req.Site.flash.put(req.Session.ID, &Flash{Text: text}) }

// Saved tells of a record on the next page.
func (req *Request) Saved(out *pb.WriteResponse) {
	f := &Flash{Text: out.Text, Saved: words.Sentence(words.SavedState(out.Saved)), NoProof: out.NoProof, Repeated: out.RepeatedRequest, Cautions: Cautions(out.Cautions)}
	if out.UndoUntil != "" && !req.Locked {
		f.Undo = out.Record
	}
	if _, earlier := req.Pressed(); earlier && f.Repeated { // the answer was lost, not the record
		f.Text, f.Repeated = words.Say("frame.saved_then"), false
	}
	req.Site.flash.put(req.Session.ID, f)
}

// Made lists what a record made of a kind, also when it was sent twice.
func (req *Request) Made(saved *pb.WriteResponse, kind string) (ids []string, err error) {
	if !saved.RepeatedRequest && len(saved.Made) > 0 {
		return saved.Made, nil
	}
	full, err := req.Site.Audit.GetRecord(req.Context(), &pb.GetRecordRequest{Record: saved.Record})
	for _, e := range full.GetEntities() {
		if id, ok := strings.CutPrefix(e, kind+"/"); ok {
			ids = append(ids, id)
		}
	}
	return ids, err
}
