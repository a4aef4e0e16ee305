package query

import (
	"context"
	"fmt"
	"strings"

	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// Resolve turns what a person typed into an id, with its name.
func (s Reader) Resolve(ctx context.Context, req *pb.ResolveRequest) (*pb.ResolveResponse, error) {
	out := &pb.ResolveResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		id, err := b.Resolve(req.Kind, req.Kind, req.Text)
		out.Id, out.Name = id, b.Name(req.Kind, id)
		return err
	})
	return out, err
}

// maxTyped bounds a name or id that is looked up, in bytes.
const maxTyped = 200

// Resolve finds the id behind a typed text: the id itself, a name, or the start
// of either when only one fits. field names the input in a refusal.
func (b *ReadView) Resolve(field, kind, text string) (string, error) {
	text = strings.TrimSpace(text)
	if text == "" || len(text) > maxTyped {
		return "", refusal.New(field, text, "the name or id of a "+kind)
	}
	if kind == event.KindBag {
		return b.resolveBag(field, text)
	}
	if is, err := b.Has(event.Key{Kind: kind, ID: text}); err != nil || is {
		return text, err
	}
	if id, ok, err := b.ByName(field, kind, text); ok || err != nil {
		return id, err
	}
	return b.byStart(field, kind, text, strings.ToUpper(text))
}

// resolveBag accepts a whole bag number, known here or not, or the first
// characters of one that is known.
func (b *ReadView) resolveBag(field, text string) (string, error) {
	number, err := label.ParseBag(text)
	if err == nil {
		return string(number), nil
	}
	start := label.CanonicalBatch(text)
	if len(start) >= 9 { // a whole number with a slip in it
		if e, ok := refusal.As(err); ok {
			e.Field = field
		}
		return "", err
	}
	return b.byStart(field, event.KindBag, text, start)
}

// byStart finds the only id that begins with start; typed is what a refusal shows.
func (b *ReadView) byStart(field, kind, typed, start string) (string, error) {
	ids, err := b.StartingWith(kind, start, 3)
	switch {
	case err != nil:
		return "", err
	case len(ids) == 1:
		return ids[0], nil
	case len(ids) > 1:
		return "", refusal.Conflict(field, typed, "more characters: it begins "+strings.Join(ids, ", ")+" and maybe others")
	}
	return "", refusal.Conflict(field, typed, "a "+kind+" that is known here"+b.Known(kind))
}

// Known lists a few names of a kind, for a refusal that helps.
func (b *ReadView) Known(kind string) string {
	if kind == event.KindBag || kind == event.KindCase {
		return ""
	}
	var names []string
	err := b.Each(kind, func(s ledger.State) (bool, error) {
		if name := b.nameOf(s); name != "" {
			names = append(names, name)
		}
		return len(names) < 8, nil
	})
	if err != nil || len(names) == 0 {
		return "; none is"
	}
	return ": " + strings.Join(names, ", ")
}

// ByName finds the state whose name is the text, or the only one that begins
// with it. Case does not matter.
func (b *ReadView) ByName(field, kind, text string) (id string, ok bool, err error) {
	if kind == event.KindClient {
		return b.clientByName(field, text)
	}
	if !ledger.Named(kind) {
		return "", false, nil
	}
	want := strings.ToLower(text)
	var starts []string
	err = b.Each(kind, func(s ledger.State) (bool, error) {
		name := strings.ToLower(ledger.NameOf(s))
		if name == want {
			id, ok = s.Key().ID, true
			return false, nil
		}
		if name != "" && strings.HasPrefix(name, want) {
			starts = append(starts, s.Key().ID)
		}
		return len(starts) < 100, nil
	})
	switch {
	case err != nil || ok:
		return id, ok, err
	case len(starts) == 1:
		return starts[0], true, nil
	case len(starts) > 1:
		return "", false, refusal.Conflict(field, text, fmt.Sprintf("more letters: %d names begin so", len(starts)))
	}
	return "", false, nil
}

// Name is what people call an entity; its id when it has no name.
func (b *ReadView) Name(kind, id string) string {
	if id == "" {
		return ""
	}
	k := event.Key{Kind: kind, ID: id}
	if n, ok := b.names[k]; ok {
		return n
	}
	n := k.ID
	if s, err := b.State(k); err == nil && s != nil {
		if own := b.nameOf(s); own != "" {
			n = own
		}
	}
	if k.Kind == event.KindBag {
		n = label.BagNumber(k.ID).String()
	}
	b.names[k] = n
	return n
}

// nameOf is the name that people gave an entity, a client's too; empty for one that has
// none or was forgotten.
func (b *ReadView) nameOf(s ledger.State) string {
	c, ok := s.(*ledger.Client)
	if !ok {
		return ledger.NameOf(s)
	}
	if name := b.open(c, "name", c.Name); name != forgotten {
		return name
	}
	return ""
}

// clientByName finds the client of a name, or the only one whose name begins so. Of two
// with one name neither is guessed.
func (b *ReadView) clientByName(field, text string) (id string, ok bool, err error) {
	want := strings.ToLower(text)
	var whole, starts []string
	err = b.Each(event.KindClient, func(s ledger.State) (bool, error) {
		switch name := strings.ToLower(b.nameOf(s)); {
		case name == want:
			whole = append(whole, s.Key().ID)
		case strings.HasPrefix(name, want):
			starts = append(starts, s.Key().ID)
		}
		return len(whole) < 10 && len(starts) < 100, nil
	})
	if len(whole) > 0 {
		starts = whole
	}
	switch {
	case err != nil || len(starts) == 0:
		return "", false, err
	case len(starts) == 1:
		return starts[0], true, nil
	}
	return "", false, refusal.Conflict(field, text, "the id of one client, since several are meant: "+b.clientsWords(starts))
}

// clientsWords tells some clients apart, for a refusal that helps.
func (b *ReadView) clientsWords(ids []string) string {
	var out []string
	for _, id := range ids[:min(len(ids), 5)] {
		name, telephone, _ := b.Client(id)
		out = append(out, strings.TrimSpace(id+" "+name+" "+telephone))
	}
	return strings.Join(out, ", ")
}

// Record finds a record by the first digits of its hash.
func (b *ReadView) Record(field, text string) (string, error) {
	text = strings.ToLower(strings.TrimSpace(text))
	if _, ok := event.ParseHash(text); ok {
		return text, nil
	}
	r, err := b.r.FindRecord(field, text)
	if err != nil {
		return "", err
	}
	return r.Hash.String(), nil
}
