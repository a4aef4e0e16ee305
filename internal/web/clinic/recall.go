package clinic

import (
	"cmp"
	"fmt"
	"net/url"
	"strings"

	"thawtrail/internal/ledger"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// recallMore is the dossier of a recall.
type recallMore struct {
	Asked   bool
	Ask     []site.Pair // fields of the question: label and value; and their names
	Names   []string
	Holds   []recallHold
	Batches []site.Pair
	Sum     string
	ToCall  string
	Clients []recallClient
	ToFetch string
	Out     []recallBag
	PullAll string
	Gone    []recallBag
	Fresh   string
	File    string
	Cut     bool
}

type recallHold struct {
	Text, Released, Heard, NotHeard string
	Standing                        bool
}

// recallClient is one client with what the client's horses had.
type recallClient struct {
	Name, Telephone string
	Patients        []recallPatient
}

type recallPatient struct {
	Patient, Href, Yard, Gave, After, Seen, Called, Note string
}

type recallBag struct{ Number, Href, Place, State, Who, Pulled, Pull string }

// recallFields are the ways to say which bags a recall is about.
var recallFields = []string{"product", "batch", "donor", "delivery", "serial", "expiry_from", "expiry_to", "warm", "case"}

// askedRecall reads the question; the second answer says whether there is one.
func askedRecall(req *site.Request) (*pb.GetRecallRequest, url.Values, bool) {
	q := url.Values{}
	for _, name := range recallFields {
		if text := strings.TrimSpace(req.URL.Query().Get(name)); text != "" {
			q.Set(name, text)
		}
	}
	return &pb.GetRecallRequest{
		Product: q.Get("product"), Batch: q.Get("batch"), Donor: q.Get("donor"), Delivery: q.Get("delivery"), Serial: q.Get("serial"),
		ExpiryFrom: q.Get("expiry_from"), ExpiryTo: q.Get("expiry_to"), Warm: q.Get("warm"), Case: q.Get("case"),
	}, q, len(q) > 0
}

// ShowRecall serves the dossier.
func ShowRecall(req *site.Request) error {
	ask, q, asked := askedRecall(req)
	m := &recallMore{Asked: asked, File: "/clinic/recall/file?" + q.Encode()}
	for i, heading := range words.List("recall.fields") {
		m.Ask, m.Names = append(m.Ask, site.Pair{Name: heading, Value: q.Get(recallFields[i])}), append(m.Names, recallFields[i])
	}
	title := words.Say("recall.open")
	if asked {
		out, err := req.Site.Audit.GetRecall(req.Context(), ask)
		if err != nil {
			return err
		}
		about := out.About
		if ask.Batch != "" && len(out.Batches) == 1 {
			about = words.Say("batches.batch", out.Batches[0].Product, out.Batches[0].Batch)
		}
		title = words.Say("recall.title", about)
		m.tell(out, "/clinic/recall?"+q.Encode())
	}
	return req.Render("recall", title, "clinic", m)
}

func (m *recallMore) tell(out *pb.GetRecallResponse, here string) {
	m.Fresh, m.Cut = out.GetFreshness().GetText(), out.Cut
	m.Sum = recallSum(out)
	for _, b := range out.Batches {
		to := "/clinic/batch?" + url.Values{"product": {b.Product}, "batch": {b.Batch}}.Encode()
		m.Batches = append(m.Batches, site.Pair{Name: to, Value: words.Say("recall.same", b.Product, b.Batch, b.Bags)})
	}
	for _, h := range out.Holds {
		m.Holds = append(m.Holds, recallHoldOf(h))
	}
	m.clients(out, here)
	m.bags(out, here)
}

// recallSum says how many bags there were, and what became of them.
func recallSum(out *pb.GetRecallResponse) string {
	var parts []string
	names := words.List("recall.parts")
	for i, n := range []int32{out.Given, out.Out, out.Lent, out.LentBack, out.Returned, out.KeptBack, out.Discarded, out.Missing} {
		if n != 0 {
			parts = append(parts, fmt.Sprintf("%s %d", names[i], n))
		}
	}
	return words.Say("recall.sum", out.Received, cmp.Or(strings.Join(parts, " + "), "0"))
}

func recallHoldOf(h *pb.RecallHold) recallHold {
	when := func(t string) string { return words.Moment(words.ParseTime(t)) }
	row := recallHold{
		Text: words.Say("recall.placed", h.Kind, h.Batch, when(h.ToldAt), when(h.WrittenAt), h.Who, h.Reason), Standing: h.ReleasedAt == "",
	}
	if h.ReleasedAt != "" {
		row.Released = words.Say("recall.released", when(h.ReleasedAt))
	}
	var heard []string
	for _, x := range h.Heard {
		heard = append(heard, x.Device+" "+when(x.At))
	}
	row.Heard = words.Say("recall.heard", strings.Join(heard, "; "))
	if len(h.NotHeard) > 0 {
		row.NotHeard = words.Say("recall.not_heard", strings.Join(h.NotHeard, "; "))
	}
	return row
}

// clients puts the patients under whom to call.
func (m *recallMore) clients(out *pb.GetRecallResponse, here string) {
	at, open := map[string]int{}, map[string]bool{}
	all := map[string]bool{}
	for _, p := range out.Patients {
		key := cmp.Or(p.Client+p.Telephone, p.Case)
		if _, known := at[key]; !known {
			at[key] = len(m.Clients)
			m.Clients = append(m.Clients, recallClient{Name: cmp.Or(p.Client, words.Say("recall.no_client")), Telephone: p.Telephone})
		}
		c := &m.Clients[at[key]]
		c.Patients = append(c.Patients, recallPatientOf(p, here))
		all[p.Case] = true
		if !p.Reached {
			open[p.Case] = true
		}
	}
	m.ToCall = words.Say("recall.call", len(open), len(all))
}

func recallPatientOf(p *pb.RecallPatient, here string) recallPatient {
	when := func(t string) string { return words.Moment(words.ParseTime(t)) }
	row := recallPatient{
		Patient: p.Patient, Href: "/case/" + p.Case + "/sheet", Yard: p.Yard,
		Gave: words.Say("recall.gave", words.BagNumber(p.Bag), words.Say("word.ml", p.GivenMl), when(p.At), p.Vet),
		Note: "/write/client_called?" + url.Values{"case": {p.Case}, "product": {p.Product}, "batch": {p.Batch}, "back": {here}}.Encode(),
	}
	switch p.AfterHold {
	case ledger.HoldReached:
		row.After = words.Say("recall.after_reached")
	case ledger.HoldNotReached:
		row.After = words.Say("recall.after_not_reached")
	case ledger.HoldUnknown:
		row.After = words.Say("recall.after_unknown")
	}
	row.Seen = wording.Joined(", ", p.Reaction, p.Outcome)
	switch {
	case p.Reached:
		row.Called = words.Say("recall.called", when(p.CalledAt), p.CalledBy)
	case p.CalledAt != "":
		row.Called = words.Say("recall.no_answer", when(p.CalledAt), p.CalledBy)
	}
	return row
}

// bags lists what is to be fetched, and what is gone.
func (m *recallMore) bags(out *pb.GetRecallResponse, here string) {
	left, all := 0, url.Values{"back": {here}}
	for _, b := range out.BagsOut {
		row := recallBagOf(b)
		if b.PulledAt == "" {
			left++
			all.Add("bags", b.Bag)
			row.Pull = "/write/bags_pulled?" + url.Values{"bags": {b.Bag}, "back": {here}}.Encode()
		}
		m.Out = append(m.Out, row)
	}
	m.ToFetch = words.Say("recall.fetch", left, len(out.BagsOut))
	if left > 1 {
		m.PullAll = "/write/bags_pulled?" + all.Encode()
	}
	for _, b := range out.BagsGone {
		m.Gone = append(m.Gone, recallBagOf(b))
	}
}

func recallBagOf(b *pb.RecallBag) recallBag {
	row := recallBag{Number: words.BagNumber(b.Bag), Href: "/bag/" + b.Bag, Place: b.Place, State: words.Plain(b.State), Who: b.Who}
	if b.PulledAt != "" {
		row.Pulled = words.Say("recall.pulled", words.Moment(words.ParseTime(b.PulledAt)), b.PulledBy)
	}
	return row
}

// SendRecall sends the dossier as a file: bags and patients.
func SendRecall(req *site.Request) error {
	ask, _, _ := askedRecall(req)
	out, err := req.Site.Audit.GetRecall(req.Context(), ask)
	if err != nil {
		return err
	}
	head := []string{"bag", "product", "batch", "state", "place", "put_by", "pulled_at", "pulled_by", "case", "patient", "given_at", "given_ml", "vet", "after_hold", "reaction", "outcome", "client", "telephone", "yard", "called_at", "called_by"}
	return req.SendCSV("recall", head, func(add func(...string)) error {
		given := map[string][]*pb.RecallPatient{}
		for _, p := range out.Patients {
			given[p.Bag] = append(given[p.Bag], p)
		}
		for _, b := range append(out.BagsOut, out.BagsGone...) {
			bag := []string{words.BagNumber(b.Bag), b.Product, b.Batch, b.State, b.Place, b.Who, b.PulledAt, b.PulledBy}
			if len(given[b.Bag]) == 0 {
				add(append(bag, make([]string, len(head)-len(bag))...)...)
			}
			for _, p := range given[b.Bag] {
				add(append(bag[:len(bag):len(bag)], p.Case, p.Patient, p.At, fmt.Sprint(p.GivenMl), p.Vet, p.AfterHold, p.Reaction, p.Outcome, p.Client, p.Telephone, p.Yard, p.CalledAt, p.CalledBy)...)
			}
		}
		return nil
	})
}
