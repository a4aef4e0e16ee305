package store

import (
	"bytes"
	"cmp"
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/projection"
	"thawtrail/internal/store/reach"
)

// VerifyOptions say which replica to verify. It must not be open elsewhere, or
// its newest records look unfinished.
type VerifyOptions struct {
	Dir   string     // holds journal/
	FS    journal.FS // nil: the disk
	Key   []byte     // as for Open
	KeyID string     // as for Open, where there is a Truth
	Truth OpenTruth  // nil: the journal in Dir
}

// onDisk says that the journal lies on this machine's disk, where a mark beside it tells
// how far it had reached.
func (o VerifyOptions) onDisk() bool {
	_, disk := o.FS.(journal.OSFS)
	return disk && o.Truth == nil
}

// open opens the records to read them; nothing is written, so nothing is dated.
func (o VerifyOptions) open(ctx context.Context) (Truth, journal.Report, error) {
	undated := func() time.Time { return time.Time{} }
	if o.Truth != nil {
		return o.Truth(ctx, Opening{Key: o.Key, KeyID: o.KeyID, Now: undated, Random: rand.Reader})
	}
	return journal.Open(journal.Options{FS: o.FS, Dir: filepath.Join(o.Dir, "journal"), Key: o.Key, ReadOnly: true, Now: undated})
}

// VerifyReport is what Verify found. Records counts each record once, whatever
// the number of its copies.
type VerifyReport struct {
	OK       bool
	Records  int64
	FirstBad string   // one sentence: position, log, seq and reason; empty when OK
	Notes    []string // what is no fault but worth knowing, at most maxNotes
}

const maxNotes = 50

// Verify checks a replica without changing it: every frame of its journal, every
// record's form and payload, every link of every log, every signature, and that
// the journal still reaches as far as it once did. The index, which is derived, is
// not asked. An error means that the journal could not be read at all.
//
// It keeps two hashes and a few numbers for each record, and one hash more for
// each record of another log that it names before that one was met.
func Verify(ctx context.Context, opt VerifyOptions) (VerifyReport, error) {
	if opt.FS == nil {
		opt.FS = journal.OSFS{}
	}
	mark, err := markOf(opt) // before the journal, which may grow meanwhile
	if err != nil {
		return VerifyReport{}, fmt.Errorf("verify %s: %w", opt.Dir, err)
	}
	j, found, err := opt.open(ctx)
	if err != nil {
		return VerifyReport{}, fmt.Errorf("verify %s: %w", opt.Dir, err)
	}
	v := verifier{logs: map[event.LogID]*verified{}}
	for _, d := range found.Damaged {
		v.bad(d.From, "nothing up to %s can be read: %s", d.To, d.Reason)
	}
	if found.TornBytes > 0 {
		v.note(tornEnd, found.TornBytes)
	}
	err = j.Scan(journal.Position{}, func(p journal.Position, frame []byte) error {
		v.frame(p, frame)
		return ctx.Err()
	}, func(from, to journal.Position, reason string) error {
		v.bad(from, "nothing up to %s can be read: %s", to, reason)
		return ctx.Err()
	})
	if err = errors.Join(err, v.reach(opt, mark, j.End()), j.Close()); err != nil {
		return VerifyReport{}, fmt.Errorf("verify %s: %w", opt.Dir, err)
	}
	for _, id := range event.SortedLogs(v.logs) {
		v.log(id, v.logs[id])
	}
	v.stories()
	return v.report(), nil
}

// verifier gathers what the journal holds and what is wrong with it.
type verifier struct {
	logs   map[event.LogID]*verified
	words  []spoken
	faults []fault
	notes  []string
}

// slot is one place of a log.
type slot struct {
	log event.LogID
	seq uint64
}

// spoken is a record of one log that a record of another names.
type spoken struct {
	named exchange.LogTip
	by    event.LogID
	at    uint64
}

// fault is one thing that is wrong; the one that lies first is told.
type fault struct {
	pos  journal.Position
	text string
}

// verified is one log; links are by hash, each record once.
type verified struct {
	key   ed25519.PublicKey
	links map[event.Hash]*chainLink
}

// chainLink is what must be known of a record to check its neighbours.
type chainLink struct {
	pos     journal.Position // of the first copy
	seq     uint64
	prev    event.Hash
	hlcUs   int64
	signed  *event.Record // until its signature is checked
	vouched bool
}

func (v *verifier) bad(p journal.Position, format string, args ...any) {
	v.faults = append(v.faults, fault{p, fmt.Sprintf("at %s: ", p) + fmt.Sprintf(format, args...)})
}

// markOf is how far a journal on the disk had reached.
func markOf(opt VerifyOptions) (reach.Mark, error) {
	if !opt.onDisk() {
		return reach.Mark{}, nil
	}
	return reach.Read(opt.Dir)
}

// unwitnessed is noted of a folder that no program of this version has opened.
const unwitnessed = "nothing here says how far the journal once reached: had its end been cut off, this would not show"

// reach compares the journal with how far it had reached, and repeats what was
// found to be gone and nobody has read yet.
func (v *verifier) reach(opt VerifyOptions, mark reach.Mark, end journal.Position) error {
	if !opt.onDisk() {
		return nil
	}
	switch {
	case mark.End.IsZero():
		v.note("%s", unwitnessed)
	case end.Compare(mark.End) < 0:
		v.bad(end, "the journal ends here and had reached %s: records that were saved are gone from this disk; they are fetched again from whoever holds them", mark.End)
	case !v.holds(mark):
		v.bad(mark.Last, "the record that was saved last here is gone or is another one: the journal is damaged, or is not the one that lay here")
	}
	told, err := reach.Unread(opt.Dir)
	for _, n := range told {
		v.faults = append(v.faults, fault{text: "found " + time.UnixMicro(n.FoundUs).UTC().Format(time.RFC3339) + " and not read by anybody yet (`thawtrail losses --seen` says that it was): " + n.Text})
	}
	return err
}

func (v *verifier) holds(mark reach.Mark) bool {
	for _, l := range v.logs {
		for h := range l.links {
			if mark.Fits(h[:]) {
				return true
			}
		}
	}
	return false
}

func (v *verifier) note(format string, args ...any) {
	if len(v.notes) < maxNotes {
		v.notes = append(v.notes, fmt.Sprintf(format, args...))
	}
}

// frame takes one record. Its form, its limits and its payload's hash are
// checked by decoding it.
func (v *verifier) frame(p journal.Position, frame []byte) {
	r, err := event.Decode(bytes.Clone(frame))
	if err != nil {
		v.bad(p, "%v", err)
		return
	}
	l := v.logs[r.Log]
	if l == nil {
		l = &verified{links: map[event.Hash]*chainLink{}}
		v.logs[r.Log] = l
	}
	if o, ok := projection.OpenedLog(r); ok {
		l.key = o.Key
	} else if r.Head.Seq == 0 {
		v.bad(p, "the opening record of log %s cannot be read", r.Log.Short())
	}
	k := l.links[r.Hash]
	if k == nil {
		k = &chainLink{pos: p, seq: r.Head.Seq, hlcUs: r.Head.HlcUs}
		k.prev, _ = event.ToHash(r.Head.Prev)
		l.links[r.Hash] = k
	}
	if r.Signed() { // a second copy may carry the signature that the first one lacks
		k.signed = r
	}
	l.check(v, k)
	for _, named := range projection.Attestations(r) {
		if !v.has(named) {
			v.words = append(v.words, spoken{named, r.Log, r.Head.Seq})
		}
	}
}

func (v *verifier) has(at exchange.LogTip) bool {
	l := v.logs[at.Log]
	return l != nil && l.links[at.Hash] != nil
}

// stories notes where a record names another record of a log than the one that is
// held at its place: its laptop was told another story.
func (v *verifier) stories() {
	held := map[slot]bool{}
	for _, w := range v.words {
		held[slot{w.named.Log, w.named.Seq}] = false
	}
	for id, l := range v.logs {
		for _, k := range l.links {
			if _, named := held[slot{id, k.seq}]; named {
				held[slot{id, k.seq}] = true
			}
		}
	}
	for _, w := range v.words {
		if held[slot{w.named.Log, w.named.Seq}] && !v.has(w.named) {
			v.note("two stories of log %s: record %d of log %s names another record at %d than the one held here",
				w.named.Log.Short(), w.at, w.by.Short(), w.named.Seq)
		}
	}
}

// check verifies a signature as soon as the log's key is known, and forgets it.
func (l *verified) check(v *verifier, k *chainLink) {
	if k.signed == nil || l.key == nil {
		return
	}
	if err := k.signed.Verify(l.key); err != nil {
		v.bad(k.pos, "%v", err)
	} else {
		k.vouched = true
	}
	k.signed = nil
}

// log checks the links of one log and that a signature vouches for each record.
func (v *verifier) log(id event.LogID, l *verified) {
	hashes := slices.SortedFunc(maps.Keys(l.links), func(a, b event.Hash) int {
		return cmp.Or(cmp.Compare(l.links[b].seq, l.links[a].seq), a.Compare(b))
	})
	if l.key == nil {
		v.bad(l.links[hashes[len(hashes)-1]].pos, "log %s: its opening record is not here", id.Short())
	}
	unsigned := 0
	for _, h := range hashes { // from the newest down
		k := l.links[h]
		l.check(v, k)
		if !k.vouched {
			unsigned++
		}
		if k.seq == 0 {
			continue
		}
		before := l.links[k.prev]
		switch {
		case before == nil || before.seq+1 != k.seq:
			v.bad(k.pos, "log %s, seq %d: the record before it is not here", id.Short(), k.seq)
		case before.hlcUs > k.hlcUs:
			v.bad(k.pos, "log %s, seq %d: its clock runs back", id.Short(), k.seq)
		default:
			before.vouched = before.vouched || k.vouched
		}
	}
	if unsigned > 0 {
		v.note("log %s: no signature vouches for %d records at its end; they stay here until one does", id.Short(), unsigned)
	}
	v.branches(id, l)
}

// branches notes seqs that have more than one record.
func (v *verifier) branches(id event.LogID, l *verified) {
	count := map[uint64]int{}
	lowest, forked := uint64(0), false
	for _, k := range l.links {
		if count[k.seq]++; count[k.seq] > 1 && (!forked || k.seq < lowest) {
			lowest, forked = k.seq, true
		}
	}
	if forked {
		v.note("log %s: two different records stand at seq %d; both are kept", id.Short(), lowest)
	}
}

// report tells the fault that lies first.
func (v *verifier) report() VerifyReport {
	r := VerifyReport{OK: len(v.faults) == 0, Notes: v.notes}
	for _, l := range v.logs {
		r.Records += int64(len(l.links))
	}
	if len(v.faults) > 0 {
		first := slices.MinFunc(v.faults, func(a, b fault) int { return a.pos.Compare(b.pos) })
		r.FirstBad = first.text
		if n := len(v.faults) - 1; n > 0 {
			v.note("%d more faults lie behind the first", n)
			r.Notes = v.notes
		}
	}
	return r
}
