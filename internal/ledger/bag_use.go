package ledger

import (
	"cmp"
	"slices"
	"strings"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// setLifeMs is how long a set and an attached bag may be used: it bounds a
// transfusion whose end nobody entered.
const setLifeMs = 4 * 60 * 60 * 1000

// Use is one transfusion of a bag as it was entered.
type Use struct {
	_         struct{} `cbor:",toarray"`
	Case      string
	Patient   string // dam and twin letter, or the adult's case; the case if empty
	Place     string
	Shared    bool // shared on purpose with the twin
	Start     *Stamp
	End       *Stamp
	Finished  bool // the bag ran in; false when it was stopped, or runs
	GivenMl   int32
	CountedMl int32       // of it, what no other entry had told before
	Log       event.LogID // of the start, else of the end
	RequestID string
	Told      bool // ended as a code told: nobody entered the end
	from, to  *fact
}

// GivenTo is what one case had of a bag.
type GivenTo struct {
	_       struct{} `cbor:",toarray"`
	Case    string
	Patient string
	Ml      int32
}

// usesOf pairs the starts and ends of a bag, in happened order. What a code told
// stands in for a start or an end that is not here.
func usesOf(id string, facts []*fact) []Use {
	var uses []Use
	for _, f := range facts {
		switch p := f.body.(type) {
		case *pb.CaseAdopted:
			if told := adoptionOf(f, p).Told; told != nil {
				uses = toldUse(id, uses, facts, f, p, told)
			}
		case *pb.TransfusionStarted:
			at := f.stamp()
			uses = append(uses, Use{
				Case: p.Case, Patient: cmp.Or(p.Patient, p.Case), Place: p.Place, Shared: p.SharedWithTwin,
				Start: &at, Log: f.rec.Log, RequestID: f.rec.Head.RequestId, from: f,
			})
		case *pb.TransfusionEnded:
			u := openUse(&uses, p.Case, f.rec.Log)
			if u == nil {
				uses = append(uses, Use{Case: p.Case, Patient: cmp.Or(p.Patient, p.Case), Log: f.rec.Log})
				u = &uses[len(uses)-1]
			}
			at := f.stamp()
			u.End, u.Finished, u.GivenMl, u.to, u.Told = &at, f.typ == typeFinished, p.GivenMl, f, false
		}
	}
	oneAdult(uses)
	return uses
}

// oneAdult gives the uses of one case one patient where an adult is told by name: one
// program tells it by name and yard, another by name and client, and one of which the
// yard is sealed knows the case alone.
func oneAdult(uses []Use) {
	named := func(patient string) bool {
		return strings.HasPrefix(patient, "name:") || strings.HasPrefix(patient, "client:")
	}
	for i := range uses {
		j := slices.IndexFunc(uses[:i], func(o Use) bool { return o.Case == uses[i].Case })
		if j >= 0 && (named(uses[i].Patient) || named(uses[j].Patient)) {
			uses[i].Patient = uses[j].Patient
		}
	}
}

// toldUse takes what a code says of a bag: that it hangs, or that it had ended by then.
func toldUse(id string, uses []Use, facts []*fact, f *fact, p *pb.CaseAdopted, told *CodeSheet) []Use {
	at := f.stamp()
	if told.Bag == id && !startedFor(facts, p.Case) && !slices.ContainsFunc(uses, func(u Use) bool { return u.Case == p.Case }) {
		start := at
		start.AtMs = told.StartedMs
		uses = append(uses, Use{
			Case: p.Case, Patient: cmp.Or(told.patient(), p.Case), Start: &start, Log: f.rec.Log, RequestID: f.rec.Head.RequestId, from: f,
		})
	}
	if u := openUse(&uses, p.Case, f.rec.Log); u != nil && u.End == nil && slices.Contains(p.EndedBags, id) {
		at.AtMs = max(u.Start.AtMs, told.StartedMs)
		u.End, u.Told = &at, true
	}
	return uses
}

// startedFor says that somebody entered a start of the bag in a case.
func startedFor(facts []*fact, id string) bool {
	return slices.ContainsFunc(facts, func(f *fact) bool {
		p, ok := f.body.(*pb.TransfusionStarted)
		return ok && p.Case == id
	})
}

// openUse finds the transfusion that an end belongs to: one of the same case
// without an end that somebody entered, rather one from the same log.
func openUse(uses *[]Use, id string, log event.LogID) *Use {
	open := func(own bool) func(Use) bool {
		return func(u Use) bool { return u.Case == id && (u.End == nil || u.Told) && (!own || u.Log == log) }
	}
	i := slices.IndexFunc(*uses, open(true))
	if i < 0 {
		i = slices.IndexFunc(*uses, open(false))
	}
	if i < 0 {
		return nil
	}
	return &(*uses)[i]
}

// span is when the transfusion ran, as far as it is known.
func (u *Use) span() (fromMs, toMs int64) {
	switch {
	case u.Start == nil:
		return u.End.AtMs, u.End.AtMs
	case u.End == nil:
		return u.Start.AtMs, u.Start.AtMs + setLifeMs
	}
	return u.Start.AtMs, u.End.AtMs
}

func (u *Use) overlaps(o *Use) bool {
	uf, ut := u.span()
	of, ot := o.span()
	return uf <= ot && of <= ut
}

// facts are the records of the transfusion.
func (u *Use) facts() []*fact {
	return slices.DeleteFunc([]*fact{u.from, u.to}, func(f *fact) bool { return f == nil })
}

// first is the start, else the end.
func (u *Use) first() *fact { return u.facts()[0] }

// volumes adds up what was given. An end says what was given of the bag to that
// patient in all, so that entries of one transfusion, and a second session of
// the same bag, count once: the greatest stands.
func (b *Bag) volumes() {
	byPatient := map[string]int32{}
	for i := range b.Uses {
		u := &b.Uses[i]
		if more := u.GivenMl - byPatient[u.Patient]; more > 0 {
			byPatient[u.Patient] += more
			b.GivenMl += more
			u.CountedMl = more
		}
		j := slices.IndexFunc(b.Given, func(g GivenTo) bool { return g.Case == u.Case && g.Patient == u.Patient })
		if j < 0 {
			b.Given = append(b.Given, GivenTo{Case: u.Case, Patient: u.Patient})
			j = len(b.Given) - 1
		}
		b.Given[j].Ml = max(b.Given[j].Ml, u.GivenMl)
	}
}
