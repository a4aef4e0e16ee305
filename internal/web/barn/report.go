package barn

import (
	"fmt"
	"net/url"
	"strings"

	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// reportMore is the sheet for a report of an adverse event.
type reportMore struct {
	Kinds    []site.Option
	Text     string
	Least    []string // without these no report is valid
	Missing  []string
	Parts    []reportPart
	Reported []string
	Detail   string // where what is missing is told
	Note     string // where a report that was made is noted
	Sources  []string
}

// reportPart is a part of the sheet; what nobody told stands in it as open.
type reportPart struct {
	Title string
	Rows  []site.Pair
}

// reportKinds are the kinds by their codes.
var reportKinds = []string{"animal", "person", "lack_of_efficacy", "off_label"}

func prepareReport(req *site.Request, p *stepPage) error {
	ask := &pb.GetAdverseSheetRequest{Case: p.Case.ID}
	for i, code := range reportKinds {
		if req.URL.Query().Get("kind") == code {
			ask.Kind = pb.AdverseKind(i + 1)
		}
	}
	out, err := req.Site.Audit.GetAdverseSheet(req.Context(), ask)
	if err != nil {
		return err
	}
	here := url.Values{"case": {p.Case.ID}, "back": {"/case/" + p.Case.ID + "/report"}}.Encode()
	m := &reportMore{
		Text: out.Text, Least: out.MissingLeast, Missing: out.Missing, Sources: out.Sources,
		Detail: "/write/adverse_event_described?" + here, Note: "/write/adverse_event_reported?" + here,
	}
	for _, code := range reportKinds {
		m.Kinds = append(m.Kinds, site.Option{Value: code, Label: words.Choice("AdverseKind", code), Checked: code == out.Kind})
	}
	m.parts(out)
	for _, r := range out.Reported {
		m.Reported = append(m.Reported, words.Say("report.line", r.Event, moment(r.At), r.To, r.Reference, r.By))
	}
	p.More = m
	return nil
}

// part adds one whose names are a list of the catalogue, in the order of the values.
func (m *reportMore) part(title, names string, values ...string) {
	part := reportPart{Title: title}
	for i, name := range words.List(names) {
		part.Rows = append(part.Rows, site.Pair{Name: name, Value: values[i]})
	}
	m.Parts = append(m.Parts, part)
}

func (m *reportMore) parts(out *pb.GetAdverseSheetResponse) {
	r, n, c := out.Reporter, out.Animal, out.Course
	m.part(words.Say("report.reporter"), "report.reporter_rows", r.Name, r.Practice, r.Telephone)
	for _, p := range out.Products {
		rate := ""
		if p.MlPerH > 0 {
			rate = words.Say("report.rate", p.MlPerH)
		}
		m.part(words.Say("report.product", words.BagNumber(p.Bag)), "report.product_rows", p.Product, p.Maker, p.RegistrationNumber, p.Batch, p.Expiry, p.Serial, p.Storage,
			p.Route, words.Say("word.ml", p.GivenMl), rate, moment(p.StartedAt), moment(p.EndedAt), p.GivenBy)
	}
	m.part(words.Say("report.animal"), "report.animal_rows", n.Species, n.Breed, n.Sex, kilograms(n.WeightG), ageThenH(n.AgeH), n.Health, n.Reason, grams(n.IggBeforeCgPerL), grams(n.IggAfterCgPerL),
		fmt.Sprint(n.Treated), fmt.Sprint(n.Affected), fmt.Sprint(n.Dead), n.PreviousExposure)
	var signs []string
	for _, s := range c.Signs {
		code := s.Code
		if code == "" {
			code = words.Say("report.no_code")
		}
		signs = append(signs, words.Say("report.sign", s.Sign, moment(s.At), code))
	}
	duration := ""
	if c.DurationMin != nil {
		duration = words.Say("report.minutes", *c.DurationMin)
	}
	m.part(words.Say("report.course"), "report.course_rows", strings.Join(c.Events, "; "), strings.Join(signs, "; "), moment(c.OnsetAt), words.IntOf(c.OnsetMin), words.IntOf(c.OnsetMl),
		moment(c.EndedAt), duration, wording.Joined(", ", c.Grade, c.Reaction), wording.Joined("; ", append([]string{c.Treatment}, c.Drugs...)...), strings.Join(c.OtherDrugs, "; "),
		c.Dechallenge, c.Rechallenge, c.Outcome, c.Course)
	m.part(words.Say("report.judged"), "report.judged_rows", out.OffLabel, out.Person, out.Assessment)
}

func moment(at string) string {
	if at == "" {
		return ""
	}
	return words.Moment(words.ParseTime(at))
}

func kilograms(g *int32) string {
	if g == nil {
		return ""
	}
	return words.Say("report.kg", words.Num(float64(*g)/1000))
}

func ageThenH(h *float64) string {
	if h == nil {
		return ""
	}
	return words.Say("report.hours", words.Num(*h))
}

func grams(cg *int32) string {
	if cg == nil {
		return ""
	}
	return words.Say("report.igg", words.Num(float64(*cg)/100))
}
