package clinic

import (
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// carSheets are the sheets that lie in the vehicles: what to do in the night, and when
// something fails.
type carSheets struct {
	Practice string
	Vehicles []string
	Trouble  []site.Pair // what happened, and what to do
	Ring     []site.Pair // whom, at what number
}

// mostRung bounds the list of whom to ring: one sheet holds so many.
const mostRung = 8

// CarSheets serves one sheet for each vehicle, to print.
func CarSheets(req *site.Request) error {
	m := &carSheets{
		Trouble: []site.Pair{
			{Name: words.Say("carsheet.reaction"), Value: words.Say("carsheet.reaction_do")},
			{Name: words.Say("carsheet.hold"), Value: words.Say("carsheet.hold_do")},
			{Name: words.Say("carsheet.signal"), Value: words.Say("carsheet.signal_do")},
			{Name: words.Say("carsheet.dead"), Value: words.Say("carsheet.dead_do")},
		},
	}
	err := req.Read(func(l *query.ReadView) error {
		if p := l.Practice(); p != nil {
			m.Practice = p.Name
		}
		vehicles, err := site.Names(l, event.KindVehicle)
		if err != nil {
			return err
		}
		for _, v := range vehicles {
			m.Vehicles = append(m.Vehicles, v.Label)
		}
		own, err := l.Telephone()
		if own != "" {
			m.Ring = append(m.Ring, site.Pair{Name: words.Say("carsheet.clinic"), Value: own})
		}
		return err
	})
	if err != nil {
		return err
	}
	if len(m.Vehicles) == 0 {
		m.Vehicles = []string{""}
	}
	if err := m.ring(req); err != nil {
		return err
	}
	return req.Render("carsheet", words.Say("carsheet.title"), "clinic", m)
}

// ring lists people of the practice with a number, and makers.
func (m *carSheets) ring(req *site.Request) error {
	people, err := req.Site.Audit.ListPeople(req.Context(), &pb.ListPeopleRequest{})
	if err != nil {
		return err
	}
	for _, p := range people.People {
		if p.Telephone != "" && len(p.Roles) > 0 {
			m.Ring = append(m.Ring, site.Pair{Name: p.Name, Value: p.Telephone})
		}
	}
	m.Ring = m.Ring[:min(len(m.Ring), mostRung)]
	return req.Read(func(l *query.ReadView) error {
		return l.Each(event.KindProduct, func(st ledger.State) (bool, error) {
			p, ok := st.(*ledger.Product)
			if !ok || len(p.Cards) == 0 {
				return true, nil
			}
			c := p.Cards[len(p.Cards)-1]
			row := site.Pair{Name: c.Maker, Value: c.SupportTelephone}
			if c.SupportTelephone != "" && !slices.Contains(m.Ring, row) {
				m.Ring = append(m.Ring, row)
			}
			return len(m.Ring) < 2*mostRung, nil
		})
	})
}
