package query

import (
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/say"
	pb "thawtrail/proto/thawtrail/v1"
)

// Beside name and address, two things tell who a client is: the yard of a case or a mare,
// and who agreed or answered. Records keep them sealed under the client's key (event.Twin)
// and everything that reads opens them here, so that forgetting takes them out of the
// records themselves. Records of older programs, and those of a case that had no client
// yet, hold them in plain. Records are never changed; nothing that is read here tells those
// words once the client is forgotten, in whatever order the records came, also of a case
// that arrives after the forgetting.

// Forgotten says that a client asked to be forgotten.
func (b *ReadView) Forgotten(client string) bool {
	if client == "" {
		return false
	}
	gone, known := b.gone[client]
	if !known {
		terms, err := b.Terms(event.Key{Kind: event.KindClient, ID: client})
		gone = err == nil && slices.Contains(terms, ledger.TermForgotten)
		b.gone[client] = gone
	}
	return gone
}

// readable is a state with the words about clients in clear, as far as their keys are
// here, and without what a forgotten client left in it.
func (b *ReadView) readable(s ledger.State) ledger.State {
	switch c := s.(type) {
	case *ledger.Case:
		if c != nil && (c.HasSealedWords() || c.Patient != nil && b.Forgotten(c.Patient.Client)) {
			return b.readableCase(c)
		}
	case *ledger.Mare:
		if c != nil && (c.YardSealed != nil || c.Yard != "" && b.Forgotten(c.Client)) {
			out := *c
			out.Yard = b.words(c.Client, c.Yard, c.YardSealed)
			return &out
		}
	}
	return s
}

func (b *ReadView) readableCase(c *ledger.Case) *ledger.Case {
	out, client := *c, ""
	if c.Patient != nil {
		patient := *c.Patient
		client = patient.Client
		patient.Yard = b.words(client, patient.Yard, patient.YardSealed)
		out.Patient = &patient
	}
	out.Referrals, out.Estimates = slices.Clone(c.Referrals), slices.Clone(c.Estimates)
	for i := range out.Referrals {
		r := &out.Referrals[i]
		r.By = b.words(client, r.By, r.BySealed)
	}
	for i := range out.Estimates {
		e := &out.Estimates[i]
		e.By = b.words(client, e.By, e.BySealed)
	}
	return &out
}

// words are those about a client that stand in plain, or sealed; empty once the client of
// the case, or the one under whose key they are, was forgotten.
func (b *ReadView) words(client, plain string, s *ledger.SealedFor) string {
	switch {
	case b.Forgotten(client) || s != nil && b.Forgotten(s.Client):
		return ""
	case s == nil:
		return plain
	}
	key := event.Key{Kind: event.KindClient, ID: s.Client}
	text, ok := b.r.Seals.Open(key, s.Field, &pb.Sealed{KeyId: s.Words.KeyID, Nonce: s.Words.Nonce, Ciphertext: s.Words.Ciphertext})
	if !ok {
		return forgotten
	}
	return text
}

// clientOf is the client of a case; empty for none.
func (b *ReadView) clientOf(id string) string {
	c, err := b.Case(id)
	if err != nil || c == nil || c.Patient == nil {
		return ""
	}
	return c.Patient.Client
}

// Answerer names who agreed or answered in a case: whoever was typed, else the client.
func (b *ReadView) Answerer(of, client, typed string) string {
	switch {
	case b.Forgotten(client) || b.Forgotten(b.clientOf(of)):
		return say.Text("tale.forgotten_client")
	case client != "":
		return b.Name(event.KindClient, client)
	}
	return typed
}

// withoutForgotten is what a record says without the words that a forgotten client left
// in it; what a correction puts in place too. The record's own words stay as they are.
func (b *ReadView) withoutForgotten(m proto.Message) proto.Message {
	if p, ok := m.(*pb.Corrected); ok {
		return correctedAs(p, b.withoutForgotten)
	}
	if m == nil || len(leftIn(m)) == 0 || !slices.ContainsFunc(b.clientsIn(m), b.Forgotten) {
		return m
	}
	out := proto.Clone(m)
	for _, t := range event.Twins(out) {
		t.Close(out, nil)
	}
	switch p := out.(type) {
	case *pb.TransfusionStarted:
		p.Patient = ""
	case *pb.TransfusionEnded:
		p.Patient = ""
	}
	return out
}

// inClear is what a record says with the words about clients in clear; what a correction
// puts in place too. Missing stands for words of which the key is not here.
func (b *ReadView) inClear(m proto.Message, missing string) proto.Message {
	if p, ok := m.(*pb.Corrected); ok {
		return correctedAs(p, func(in proto.Message) proto.Message { return b.inClear(in, missing) })
	}
	if m == nil {
		return m
	}
	for _, t := range event.Twins(m) {
		if s := t.Closed(m); s != nil {
			text, ok := b.r.Seals.Open(t.Owner(m), string(t.Sealed.Name()), s)
			if !ok {
				text = missing
			}
			m = proto.Clone(m)
			t.Put(m, text)
		}
	}
	return m
}

// told is a record as people read it: in clear, and without what was forgotten.
func (b *ReadView) told(m proto.Message) proto.Message {
	return b.inClear(b.withoutForgotten(m), forgotten)
}

// left are words of an entry that tell who a client is.
type left struct {
	field, text string
	sealed      *event.Twin // under the client's key, and not in text; nil for plain ones
}

// leftIn lists them. What two entries of one adult have in common was the yard, in entries
// of older programs.
func leftIn(m proto.Message) (out []left) {
	for _, t := range event.Twins(m) {
		name := string(t.Plain.Name())
		if words := t.Words(m); words != "" {
			out = append(out, left{field: name, text: words})
		}
		if t.Closed(m) != nil {
			out = append(out, left{field: name, sealed: &t})
		}
	}
	switch p := m.(type) {
	case *pb.TransfusionStarted:
		out = append(out, leftAsPatient(p.Patient)...)
	case *pb.TransfusionEnded:
		out = append(out, leftAsPatient(p.Patient)...)
	}
	return out
}

func leftAsPatient(patient string) []left {
	if !strings.HasPrefix(patient, "name:") {
		return nil
	}
	return []left{{field: "patient", text: patient}}
}

// clientsIn lists whose words an entry may hold: a correction may have changed the client
// of a case.
func (b *ReadView) clientsIn(m proto.Message) (out []string) {
	if p, ok := m.(interface{ GetClient() string }); ok {
		out = append(out, p.GetClient())
	}
	if p, ok := m.(interface{ GetCase() string }); ok {
		out = append(out, b.clientOf(p.GetCase()))
	}
	for _, t := range event.Twins(m) {
		out = append(out, t.Owner(m).ID)
	}
	return out
}

// correctedAs changes what a correction puts in place.
func correctedAs(p *pb.Corrected, change func(proto.Message) proto.Message) proto.Message {
	in, err := event.Replacement(p)
	if err != nil || in == nil {
		return p
	}
	kept := change(in)
	if kept == in {
		return p
	}
	raw, err := proto.Marshal(kept)
	if err != nil {
		return p
	}
	p = proto.CloneOf(p)
	p.Payload = raw
	return p
}

// namedAt is a place outside the client's own entry in which words of a client stand.
type namedAt struct {
	field, text     string
	emptied, sealed bool
}

// wordsOf lists where an entry of one of the client's cases or mares holds the client's
// own words or name. What is typed into a yard, or as the one who agreed, counts in any
// case: it tells who the client is without the name.
func (b *ReadView) wordsOf(m proto.Message, name string) (out []namedAt) {
	for _, l := range leftIn(m) {
		text := l.text
		if l.sealed != nil {
			text = l.sealed.Words(b.inClear(m, forgotten))
		}
		out = append(out, namedAt{l.field, text, true, l.sealed != nil})
	}
	for _, t := range event.Texts(m) {
		if holdsName(t.Text, name) && !slices.ContainsFunc(out, func(n namedAt) bool { return n.field == t.Field }) {
			out = append(out, namedAt{field: t.Field, text: t.Text})
		}
	}
	return out
}

// holdsName says that a text holds a name, as a whole.
func holdsName(text, name string) bool {
	return name != "" && strings.Contains(strings.ToLower(text), strings.ToLower(name))
}
