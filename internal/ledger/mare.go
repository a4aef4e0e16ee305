package ledger

import (
	"cmp"
	"time"

	pb "thawtrail/proto/thawtrail/v1"
)

// Mare is a mare whose foal is awaited, or was.
type Mare struct {
	_ struct{} `cbor:",toarray"`
	Common
	Name     string
	Chip     string
	Ueln     string
	Breed    string
	ServedOn string // day of the last service
	DueOn    string // day that somebody reckoned; it counts before the service
	Client   string
	Yard     string
	Place    string     // whose bags her foal would get
	NoLonger pb.MareEnd // why she is awaited no longer
	Told     *Stamp     // the last word of her

	YardSealed *SealedFor // the last word of her yard, where her client was known
}

// foldMare lets a later word replace an earlier one field by field. A new date begins a
// new season: what ended the one before ends this one no more.
func foldMare(s *set) State {
	m := &Mare{}
	for _, f := range s.facts {
		if p, ok := f.body.(*pb.MareDue); ok {
			at := f.stamp()
			m.Told = &at
			m.tell(p)
		}
	}
	m.Common = s.common()
	return m
}

func (m *Mare) tell(p *pb.MareDue) {
	m.Name, m.Chip, m.Ueln, m.Breed = cmp.Or(p.Name, m.Name), cmp.Or(p.Chip, m.Chip), cmp.Or(p.Ueln, m.Ueln), cmp.Or(p.Breed, m.Breed)
	m.Client, m.Place = cmp.Or(p.Client, m.Client), cmp.Or(p.Place, m.Place)
	if words := sealedFor(p); p.Yard != "" || words != nil {
		m.Yard, m.YardSealed = p.Yard, words
	}
	if p.ServedOn != "" || p.DueOn != "" {
		m.ServedOn, m.DueOn, m.NoLonger = p.ServedOn, p.DueOn, pb.MareEnd_MARE_END_UNSPECIFIED
	}
	m.NoLonger = cmp.Or(p.NoLonger, m.NoLonger)
}

// aboutGestationDays orders mares in their list; when a foal is to be expected is for
// the engine to say.
const aboutGestationDays = 342

// aboutMs is when she is about due; 0 without a date.
func (m *Mare) aboutMs() int64 {
	day, later := m.DueOn, 0
	if day == "" {
		day, later = m.ServedOn, aboutGestationDays
	}
	d, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return 0
	}
	return d.AddDate(0, 0, later).UnixMilli()
}

func (m *Mare) terms() []string {
	out := sealedTerms(m.YardSealed)
	if m.Client != "" {
		out = append(out, TermMareOf(m.Client))
	}
	ms := m.aboutMs()
	if ms <= 0 || m.NoLonger != pb.MareEnd_MARE_END_UNSPECIFIED {
		return out
	}
	return append(out, Dated(TermAwaited, ms))
}
