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

// A client who was forgotten leaves words behind that were never sealed: the yard of a
// case, and who agreed or answered. Records are never changed; nothing that is read here
// tells those words any more, in whatever order the records came, also of a case that
// arrives after the forgetting.

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

// emptied is a state without what a forgotten client left in it.
func (b *ReadView) emptied(s ledger.State) ledger.State {
	switch c := s.(type) {
	case *ledger.Case:
		if c != nil && c.Patient != nil && b.Forgotten(c.Patient.Client) {
			return emptiedCase(c)
		}
	case *ledger.Mare:
		if c != nil && c.Yard != "" && b.Forgotten(c.Client) {
			out := *c
			out.Yard = ""
			return &out
		}
	}
	return s
}

func emptiedCase(c *ledger.Case) *ledger.Case {
	out, patient := *c, *c.Patient
	patient.Yard = ""
	out.Patient = &patient
	out.Referrals, out.Estimates = slices.Clone(c.Referrals), slices.Clone(c.Estimates)
	for i := range out.Referrals {
		out.Referrals[i].By = ""
	}
	for i := range out.Estimates {
		out.Estimates[i].By = ""
	}
	return &out
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
		return b.correctedWithout(p)
	}
	clients, left := b.leftBy(m)
	if left == nil || *left == "" || !slices.ContainsFunc(clients, b.Forgotten) {
		return m
	}
	out := proto.Clone(m)
	_, left = b.leftBy(out)
	*left = ""
	return out
}

// leftBy points at the words of an entry that tell who a client is without being sealed,
// and lists whose words they may be: a correction may have changed the client of a case.
func (b *ReadView) leftBy(m proto.Message) (clients []string, words *string) {
	switch p := m.(type) {
	case *pb.CaseOpened:
		return []string{p.Client, b.clientOf(p.Case)}, &p.Yard
	case *pb.MareDue:
		return []string{p.Client}, &p.Yard
	case *pb.ReferralOffered:
		return []string{p.Client, b.clientOf(p.Case)}, &p.By
	case *pb.EstimateAgreed:
		return []string{p.Client, b.clientOf(p.Case)}, &p.By
	}
	return nil, nil
}

// correctedWithout empties what a correction puts in place.
func (b *ReadView) correctedWithout(p *pb.Corrected) proto.Message {
	in, err := event.Replacement(p)
	if err != nil || in == nil {
		return p
	}
	kept := b.withoutForgotten(in)
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

// namedAt is a place outside the sealed fields in which words of a client stand.
type namedAt struct {
	field, text string
	emptied     bool
}

// wordsOf lists where an entry of one of the client's cases holds the client's own words
// or name. What is typed into a yard, or as the one who agreed, counts in any case: it
// tells who the client is without the name.
func wordsOf(m proto.Message, name string) (out []namedAt) {
	add := func(field, text string) {
		if text != "" {
			out = append(out, namedAt{field, text, true})
		}
	}
	switch p := m.(type) {
	case *pb.CaseOpened:
		add("yard", p.Yard)
	case *pb.ReferralOffered:
		add("by", p.By)
	case *pb.EstimateAgreed:
		add("by", p.By)
	}
	for _, t := range event.Texts(m) {
		if holdsName(t.Text, name) && !slices.ContainsFunc(out, func(n namedAt) bool { return n.field == t.Field }) {
			out = append(out, namedAt{t.Field, t.Text, false})
		}
	}
	return out
}

// holdsName says that a text holds a name, as a whole.
func holdsName(text, name string) bool {
	return name != "" && strings.Contains(strings.ToLower(text), strings.ToLower(name))
}
