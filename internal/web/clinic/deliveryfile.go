package clinic

import (
	"net/http"
	"net/url"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/intake"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
)

// FillPath is where the form of a delivery goes with a file.
const FillPath = "/clinic/delivery/file"

// FillDelivery adds the rows of a delivery note that came as a file. Nothing is saved by it:
// each stands in the form as if it had been typed, and is judged when the form is sent.
func FillDelivery(req *site.Request) error {
	g := gridOf(req.PostForm, today(req))
	if len(g.id) > maxGridID || g.id == "" {
		g.id = site.NewRequestID()
	}
	raw, err := req.Chosen("file")
	if err != nil {
		return err
	}
	if len(raw) == 0 {
		return refuseFile(req, g, words.Say("delivery.fill_choose"))
	}
	cells, err := intake.Delivery.Cells(raw)
	if text, plain := refusal.Plain(err); err != nil && plain {
		return refuseFile(req, g, text)
	} else if err != nil {
		return err
	}
	filled := *g
	filled.head, filled.rows = url.Values{}, slices.Clone(g.rows)
	for f, v := range g.head {
		filled.head[f] = v
	}
	unknown, wrong := []string(nil), ""
	err = req.Read(func(l *query.ReadView) error {
		for _, c := range cells {
			if wrong, err = filled.fill(l, c, &unknown); wrong != "" || err != nil {
				return err
			}
		}
		return filled.complete(l)
	})
	if err != nil {
		return err
	}
	if wrong == "" && (len(filled.rows) > maxGridRows || len(filled.values().Encode()) > maxAddress) {
		wrong = words.Say("delivery.fill_many", len(cells))
	}
	if wrong != "" {
		return refuseFile(req, g, wrong)
	}
	filled.last, filled.bad, filled.twice = 0, "", ""
	text := words.Say("delivery.filled", len(cells))
	for _, u := range unknown[:min(len(unknown), mostRefusals)] {
		text += " " + words.Sentence(u) + "."
	}
	req.Tell(text)
	return req.Redirect(filled.address())
}

// refuseFile shows the delivery as it was, and why the file did not fill it.
func refuseFile(req *site.Request, g *grid, why string) error {
	req.Refuse("file", "", why)
	req.Code = http.StatusUnprocessableEntity
	return showDelivery(req, g, nil)
}

// fill adds a row of a file. What stands once for a whole delivery is taken from the first row
// that says it, and a row that says another is wrong.
func (g *grid) fill(l *query.ReadView, c intake.Cells, unknown *[]string) (wrong string, err error) {
	r := &gridRow{typed: url.Values{}}
	for _, field := range gridFields {
		text := c.Text[field]
		if field == "product" && text != "" {
			if text, err = known(l, event.KindProduct, text, c.Row, unknown); err != nil {
				return "", err
			}
		}
		if text != "" {
			r.typed.Set(field, text)
		}
	}
	for _, field := range []string{"place", "supplier", "delivery"} {
		text := c.Text[field]
		if field == "place" && text != "" {
			if text, err = known(l, event.KindPlace, text, c.Row, unknown); err != nil {
				return "", err
			}
		}
		switch was := g.head.Get(field); {
		case text == "":
		case was == "":
			g.head.Set(field, text)
		case was != text:
			return words.Say("delivery.fill_places", c.Row, intake.Delivery.Name(field)), nil
		}
	}
	g.rows = append(g.rows, r)
	return "", nil
}

// known is the id of what a file names; a person chooses what the books do not know.
func known(l *query.ReadView, kind, text string, row int, unknown *[]string) (string, error) {
	id, err := l.Resolve(kind, kind, text)
	if _, nobody := refusal.As(err); nobody {
		*unknown = append(*unknown, words.Say("delivery.fill_unknown", row, refusal.Shorten(text)))
		return "", nil
	}
	return id, err
}
