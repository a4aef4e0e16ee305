package service

import (
	"context"
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// Resolve turns what a person typed into an id, with its name.
func (s *Records) Resolve(ctx context.Context, req *pb.ResolveRequest) (*pb.ResolveResponse, error) {
	out := &pb.ResolveResponse{}
	err := s.view(ctx, func(b *book) error {
		id, err := b.resolve(req.Kind, req.Kind, req.Text)
		out.Id, out.Name = id, b.name(event.Key{Kind: req.Kind, ID: id})
		return err
	})
	return out, err
}

// maxTyped bounds a name or id that is looked up, in bytes.
const maxTyped = 200

// resolve finds the id behind a typed text: the id itself, a name, or the start
// of either when only one fits. field names the input in a refusal.
func (b *book) resolve(field, kind, text string) (string, error) {
	text = strings.TrimSpace(text)
	if text == "" || len(text) > maxTyped {
		return "", refusal.New(field, text, "the name or id of a "+kind)
	}
	if kind == event.KindBag {
		return b.resolveBag(field, text)
	}
	if state, err := b.State(event.Key{Kind: kind, ID: text}); err != nil || state != nil {
		return text, err
	}
	if id, ok, err := b.byName(field, kind, text); ok || err != nil {
		return id, err
	}
	return b.byStart(field, kind, text, strings.ToUpper(text))
}

// resolveBag accepts a whole bag number, known here or not, or the first
// characters of one that is known.
func (b *book) resolveBag(field, text string) (string, error) {
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
func (b *book) byStart(field, kind, typed, start string) (string, error) {
	ids, err := b.StartingWith(kind, start, 3)
	switch {
	case err != nil:
		return "", err
	case len(ids) == 1:
		return ids[0], nil
	case len(ids) > 1:
		return "", refusal.Conflict(field, typed, "more characters: it begins "+strings.Join(ids, ", ")+" and maybe others")
	}
	return "", refusal.Conflict(field, typed, "a "+kind+" that is known here"+b.known(kind))
}

// known lists a few names of a kind, for a refusal that helps.
func (b *book) known(kind string) string {
	if kind == event.KindBag || kind == event.KindCase {
		return ""
	}
	var names []string
	err := b.Each(kind, func(s ledger.State) (bool, error) {
		names = append(names, ledger.NameOf(s))
		return len(names) < 8, nil
	})
	if err != nil || len(names) == 0 {
		return "; none is"
	}
	return ": " + strings.Join(names, ", ")
}

// byName finds the state whose name is the text, or the only one that begins
// with it. Case does not matter.
func (b *book) byName(field, kind, text string) (id string, ok bool, err error) {
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

// name is what people call an entity; its id when it has no name.
func (b *book) name(k event.Key) string {
	if k.ID == "" {
		return ""
	}
	if n, ok := b.names[k]; ok {
		return n
	}
	n := k.ID
	if s, err := b.State(k); err == nil && s != nil {
		if own := ledger.NameOf(s); own != "" {
			n = own
		}
	}
	if k.Kind == event.KindBag {
		n = label.BagNumber(k.ID).String()
	}
	b.names[k] = n
	return n
}

// resolveAll replaces every typed name or short id in a message by the id, and
// brings days and bag numbers into their stored form.
func (b *book) resolveAll(m proto.Message) error {
	r := m.ProtoReflect()
	fields := r.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if f.Kind() != protoreflect.StringKind || !r.Has(f) {
			continue
		}
		if err := b.resolveField(r, f); err != nil {
			return err
		}
	}
	return nil
}

func (b *book) resolveField(r protoreflect.Message, f protoreflect.FieldDescriptor) error {
	rule := event.RuleOf(f)
	if f.IsList() {
		l := r.Mutable(f).List()
		for j := range l.Len() {
			s, err := b.stored(string(f.Name()), l.Get(j).String(), rule)
			if err != nil {
				return err
			}
			l.Set(j, protoreflect.ValueOfString(s))
		}
		return nil
	}
	s, err := b.stored(string(f.Name()), r.Get(f).String(), rule)
	if err == nil {
		r.Set(f, protoreflect.ValueOfString(s))
	}
	return err
}

// stored is the form in which a typed text is kept.
func (b *book) stored(field, text string, rule *pb.FieldRule) (string, error) {
	if len(text) > 64<<10 {
		return "", refusal.New(field, text, "at most a few lines of text")
	}
	kind := rule.Entity
	if kind == "" {
		kind = rule.Refers
	}
	switch {
	case rule.Format == pb.Format_FORMAT_DAY:
		d, err := label.ParseDay(field, text)
		return d.String(), err
	case rule.Format == pb.Format_FORMAT_BATCH:
		return strings.TrimSpace(text), nil
	case rule.Format == pb.Format_FORMAT_RECORD:
		return b.record(field, text)
	case kind == "" || kind == event.KindSetting || kind == event.KindProtocol || kind == event.KindDam:
		return text, nil
	case rule.Generate && kind != event.KindBag:
		return text, nil
	}
	return b.resolve(field, kind, text)
}

// record finds a record by the first digits of its hash.
func (b *book) record(field, text string) (string, error) {
	text = strings.ToLower(strings.TrimSpace(text))
	if _, ok := event.ParseHash(text); ok {
		return text, nil
	}
	r, err := b.r.Store.FindRecord(text)
	if err != nil {
		return "", refusal.Conflict(field, text, "the hash of a record here, or at least its first 8 digits")
	}
	return r.Hash.String(), nil
}
