package trust

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"slices"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/trust/vault"
	pb "thawtrail/proto/thawtrail/v1"
)

// charterFile is the second place of what a replica stands on: the signed records
// that made the practice and its members, which also lie in the journal, and the key
// files beside it, each closed as it is there. It is closed with the folder's secret
// like all else, written as a whole, read where the first place fails, and read back
// once a day. The keys of sealed fields are not in it: a client who is forgotten is
// forgotten in every place, and the laptops have those that are not.
const charterFile = "charter.box"

// doubled are the key files of which the charter holds an envelope.
var doubled = []struct {
	name  string
	label vault.Label
}{{deviceFile, vault.Device}, {practiceFile, vault.Practice}, {"authority.key", vault.Authority}, {"server.key", vault.ServerTLS}}

// maxEnvelope bounds one of them.
const maxEnvelope = 64 << 10

// readCharter reads the second place. One that cannot be read is as good as none.
func (h *Home) readCharter() {
	h.charter = &pb.Charter{}
	raw, err := h.Vault.ReadBox(h.Names, charterFile, vault.Charter)
	if err == nil {
		err = proto.Unmarshal(raw, h.charter)
	}
	if err != nil {
		h.charter = &pb.Charter{}
	}
	h.charterWhole = err == nil
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		h.mended = append(h.mended, charterFile+" cannot be read and is made anew from the journal: "+err.Error())
	}
}

// Charter gives the records of the second place. whole says that it could be read.
// What it gives is never changed: keeping more makes a new list.
func (h *Home) Charter() (runs []*pb.Run, whole bool) {
	h.keeping.Lock()
	defer h.keeping.Unlock()
	return h.charter.Runs, h.charterWhole
}

// KeepCharter adds records to the second place, durably, where they are not in it,
// and brings its envelopes up to date. It takes none away: what the journal lost
// meanwhile is what it is there for. It reads back what stands on the disk, and mends
// what decayed there: mended says so in words.
func (h *Home) KeepCharter(runs []*pb.Run) (mended []string, err error) {
	h.keeping.Lock()
	defer h.keeping.Unlock()
	if mended, err = h.putBack(); err != nil {
		return mended, err
	}
	next := &pb.Charter{Runs: joinRuns(h.charter.Runs, runs)}
	if next.Envelopes, err = h.envelopes(); err != nil {
		return mended, err
	}
	if h.charterWhole {
		same, decayed := proto.Equal(next, h.charter), h.decayed()
		if decayed != nil {
			mended = append(mended, fmt.Sprintf("%s could not be read any more and is written anew: %v", charterFile, decayed))
		} else if same {
			return mended, nil
		}
	}
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(next)
	if err == nil {
		err = h.write(charterFile, vault.Charter, raw)
	}
	if err == nil {
		h.charter, h.charterWhole = next, true
	}
	return mended, err
}

// envelopes are the key files as they stand in the folder. One that is damaged there
// and could not be put back has nothing to be kept.
func (h *Home) envelopes() (out []*pb.Envelope, err error) {
	for _, d := range doubled {
		raw, err := h.Names.Read(d.name, maxEnvelope)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		if _, err := h.Vault.OpenBox(raw, d.label); errors.Is(err, vault.ErrDamaged) {
			continue
		}
		out = append(out, &pb.Envelope{Name: d.name, Box: raw})
	}
	return out, nil
}

// decayed says why the second place does not give on the disk what was kept in it.
func (h *Home) decayed() error {
	raw, err := h.Vault.ReadBox(h.Names, charterFile, vault.Charter)
	if err != nil {
		return err
	}
	there := &pb.Charter{}
	if err := proto.Unmarshal(raw, there); err != nil {
		return err
	}
	if !proto.Equal(there, h.charter) {
		return errors.New("it is another one")
	}
	return nil
}

// joinRuns is both lists in one order, each run once: by the record that it begins
// with.
func joinRuns(a, b []*pb.Run) []*pb.Run {
	first := func(r *pb.Run) []byte {
		if len(r.Records) == 0 {
			return nil
		}
		rec, err := event.DecodeStrict(r.Records[0])
		if err != nil {
			return nil
		}
		return rec.Hash[:]
	}
	order := func(a, b *pb.Run) int {
		return cmp.Or(bytes.Compare(a.Log, b.Log), cmp.Compare(a.From, b.From), bytes.Compare(first(a), first(b)))
	}
	out := slices.Concat(a, b)
	slices.SortStableFunc(out, order)
	return slices.CompactFunc(out, func(a, b *pb.Run) bool { return order(a, b) == 0 })
}

// putBack puts key files that were changed back out of their envelopes.
func (h *Home) putBack() (mended []string, err error) {
	for _, d := range doubled {
		if _, err := h.Vault.ReadBox(h.Names, d.name, d.label); !errors.Is(err, vault.ErrDamaged) {
			continue
		}
		i := slices.IndexFunc(h.charter.Envelopes, func(e *pb.Envelope) bool { return e.Name == d.name })
		if i < 0 {
			continue
		}
		box := h.charter.Envelopes[i].Box
		if _, err := h.Vault.OpenBox(box, d.label); err != nil {
			continue
		}
		if err := h.Names.Write(d.name, box); err != nil {
			return mended, err
		}
		mended = append(mended, d.name+" was damaged and is put back from its second place, "+charterFile)
	}
	return mended, nil
}
