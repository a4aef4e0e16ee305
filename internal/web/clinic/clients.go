package clinic

import (
	"net/http"
	"net/url"
	"time"

	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// clientRow is a client as the list shows it.
type clientRow struct {
	Href, Name, Telephone, Last, Keep string
	Cases                             int32
	Due                               bool
}

func clientRowOf(c *pb.ClientRow) clientRow {
	row := clientRow{Href: "/clinic/client/" + url.PathEscape(c.Client), Name: c.Name, Telephone: c.Telephone, Cases: c.Cases, Due: c.Due}
	if c.Forgotten {
		row.Name = words.Say("client.forgotten")
	}
	if c.LastCaseAt != "" {
		row.Last = words.Moment(words.ParseTime(c.LastCaseAt))
	}
	if day, err := time.Parse(time.DateOnly, c.KeepUntil); err == nil {
		row.Keep = day.Format(words.Say("time.day"))
	}
	return row
}

// clientsMore is the page of clients.
type clientsMore struct {
	Find, Text, Next string
	Due              bool
	Rows             []clientRow
}

// ListClients serves clients by name; with due those whose details have been kept as long
// as the practice keeps them.
func ListClients(req *site.Request) error {
	q := req.URL.Query()
	m := &clientsMore{Find: q.Get("q"), Due: q.Get("due") != ""}
	out, err := req.Site.Audit.ListClients(req.Context(), &pb.ListClientsRequest{Text: m.Find, Due: m.Due, Limit: site.PageRows, After: req.After()})
	if err != nil {
		return err
	}
	for _, c := range out.Clients {
		m.Rows = append(m.Rows, clientRowOf(c))
	}
	m.Text, m.Next = words.Told(out.Text), req.NextPart(out.Next)
	title := words.Say("clients.title")
	if m.Due {
		title = words.Say("clients.due_title")
	}
	return req.Render("clients", title, "clinic", m)
}

// namedRow is where else a client's words stand.
type namedRow struct{ What, Text, Patient, Href string }

// clientMore is the page of one client.
type clientMore struct {
	ID                     string
	Row                    clientRow
	Facts                  []site.Pair
	Horses                 []horseRow
	Cases                  []site.CaseRow
	Sealed, Emptied, Stays []namedRow // gone by forgetting, no longer shown after it, and untouched by it
	Plain                  string
	Story                  site.Story
	Forgotten, Phone       bool
	Next, Fresh, Telephone string
}

// horseRow is a horse of a client.
type horseRow struct {
	Href, Name, Chip, Last string
	Cases                  int32
}

// horseHref is the page of a horse under one of its marks.
func horseHref(mark string) string {
	return "/clinic/horse?" + url.Values{"horse": {mark}}.Encode()
}

// ShowClient serves what stands of one client, and what forgetting would take.
func ShowClient(req *site.Request) error {
	out, err := req.Site.Audit.GetClient(req.Context(), &pb.GetClientRequest{Client: req.PathValue("client"), Limit: site.PageRows, After: req.After()})
	if err != nil {
		return err
	}
	m := &clientMore{ID: out.Client.Client, Row: clientRowOf(out.Client), Forgotten: out.Client.Forgotten, Telephone: out.Client.Telephone, Phone: req.Session.Phone,
		Cases: site.CaseRows(out.Cases), Story: site.StoryOf(out.Timeline), Next: req.NextPart(out.Next), Fresh: out.GetFreshness().GetText(), Plain: words.Told(out.PlainText)}
	m.fact("client.address", out.Address)
	m.fact("client.last", m.Row.Last)
	m.fact("client.keep", m.Row.Keep)
	for _, h := range out.Horses {
		m.Horses = append(m.Horses, horseRow{Href: horseHref(h.Horse), Name: h.Horse, Chip: h.Chip, Cases: h.Cases, Last: words.Moment(words.ParseTime(h.LastCaseAt))})
	}
	for _, n := range out.Named {
		row := namedRow{What: fieldName(n.Field), Text: n.Text, Patient: n.Patient, Href: "/record/" + n.Record}
		switch {
		case n.Sealed:
			m.Sealed = append(m.Sealed, row)
		case n.Emptied:
			m.Emptied = append(m.Emptied, row)
		default:
			m.Stays = append(m.Stays, row)
		}
	}
	return req.Render("client", m.Row.Name, "clinic", m)
}

// fieldName is where a client's word was typed.
func fieldName(field string) string {
	switch field {
	case "yard", "patient":
		return words.Say("client.yard")
	case "by":
		return words.Say("client.said_by")
	}
	return words.Say("client.text")
}

func (m *clientMore) fact(key, value string) {
	if value != "" {
		m.Facts = append(m.Facts, site.Pair{Name: words.Say(key), Value: value})
	}
}

// horseCase is one case of a horse.
type horseCase struct {
	site.CaseRow
	As, Client, ClientHref, Before, After string
}

// horseMore is the page of one horse.
type horseMore struct {
	Horse, Fresh, Next string
	Marks              []site.Pair
	Cases              []horseCase
}

// ShowHorse serves a horse over the years: as patient, and as the dam of patients.
func ShowHorse(req *site.Request) error {
	mark := req.URL.Query().Get("horse")
	m := &horseMore{Horse: mark}
	if mark == "" {
		return req.Render("horse", words.Say("horse.title"), "clinic", m)
	}
	out, err := req.Site.Audit.GetHorse(req.Context(), &pb.GetHorseRequest{Horse: mark, Limit: site.PageRows, After: req.After()})
	if err != nil {
		return err
	}
	m.Fresh, m.Next = out.GetFreshness().GetText(), req.NextPart(out.Next)
	for _, other := range out.Marks {
		m.Marks = append(m.Marks, site.Pair{Name: horseHref(other), Value: other})
	}
	for _, c := range out.Cases {
		row := horseCase{CaseRow: site.CaseRows([]*pb.CaseRow{c.Case})[0], As: words.Say("horse.patient"), Client: c.ClientName, Before: words.Told(c.IggBefore), After: words.Told(c.IggAfter)}
		if c.AsDam {
			row.As = words.Say("horse.dam")
		}
		if c.Client != "" && c.ClientName != "" {
			row.ClientHref = "/clinic/client/" + url.PathEscape(c.Client)
		}
		m.Cases = append(m.Cases, row)
	}
	if len(out.Cases) == 0 {
		req.Code = http.StatusNotFound
	}
	return req.Render("horse", mark, "clinic", m)
}
