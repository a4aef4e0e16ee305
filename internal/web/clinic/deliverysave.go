package clinic

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/query"
	"thawtrail/internal/web/form"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// saveDelivery takes the whole delivery into stock, or says all that keeps it from that.
func saveDelivery(req *site.Request, g *grid) error {
	saved := ""
	err := req.Read(func(l *query.ReadView) (err error) { saved, err = savedDelivery(l, g); return err })
	if err != nil {
		return err
	}
	if saved != "" { // pressed twice, or gone back to
		req.Tell(words.Say("delivery.saved_before"))
		return req.Redirect(saved)
	}
	head, rows, err := g.forms(req)
	if err != nil {
		return err
	}
	entries, err := g.entries(req, head, rows)
	if err != nil {
		return err
	}
	g.refuseOpen(req)
	if head.Refused() || req.Refusals() > 0 {
		return refuseDelivery(req, g, head, rows)
	}
	ask, err := head.Asks()
	if err != nil {
		return err
	}
	if head.Refused() {
		return refuseDelivery(req, g, head, rows)
	}
	out, err := req.Site.Records.WriteAllBy(req.Context(), req.Actor(), g.all(ask, entries))
	if err != nil {
		return err
	}
	for _, fate := range out.Fates {
		if fate.Refused != "" {
			req.Refuse("", "", fate.Refused)
		}
	}
	if !out.AllSaved {
		return refuseDelivery(req, g, head, rows)
	}
	return stickersOf(req, entries, out)
}

// refuseDelivery shows the page again, with all that was typed.
func refuseDelivery(req *site.Request, g *grid, head *form.Form, rows []*form.Form) error {
	req.Code = http.StatusUnprocessableEntity
	return showDelivery(req, g, rows, head)
}

// refuseOpen refuses what is not whole yet: a question without an answer, a number of bags
// that is not the note's.
func (g *grid) refuseOpen(req *site.Request) {
	if len(g.rows) == 0 {
		req.Refuse("scan", "", words.Say("delivery.nothing"))
	}
	if len(g.asked) > 0 {
		req.Refuse("asked", "", words.Say("delivery.open", len(g.asked)))
	}
	bags := 0
	for i, r := range g.rows {
		bags += r.bags()
		if n := r.withSerial(); n > r.bags() {
			req.Refuse("row-"+strconv.Itoa(i)+"-count_"+strconv.Itoa(i), "", words.Say("delivery.serials_over", n, r.bags()))
		}
	}
	text := strings.TrimSpace(g.noted)
	if text == "" {
		return
	}
	n, err := strconv.Atoi(text)
	switch {
	case err != nil || n < 0:
		req.Refuse("noted", "", words.Say("delivery.noted_number", text))
	case n != bags && req.PostForm.Get("differs") != strconv.Itoa(n)+"/"+strconv.Itoa(bags):
		req.Refuse("differs", "", words.Say("delivery.differs", n, bags))
	}
}

func (r *gridRow) withSerial() (n int) {
	for _, s := range r.serials {
		if s != "" {
			n++
		}
	}
	return n
}

// entries are the records that the delivery makes: what a maker's number stands for, where
// that was told here, and each batch. What is wrong stands in the forms.
func (g *grid) entries(req *site.Request, head *form.Form, rows []*form.Form) (out []*pb.Entry, err error) {
	shared := &pb.BagsReceived{}
	if err := head.Fill(shared.ProtoReflect()); err != nil {
		return nil, err
	}
	told := map[string]bool{}
	for i, row := range rows {
		p := proto.CloneOf(shared)
		if err := row.Fill(p.ProtoReflect()); err != nil {
			return nil, err
		}
		row.Refused()
		coded, err := g.learns(req, g.rows[i], told)
		if err != nil {
			return nil, err
		}
		out = append(out, coded...)
		for _, part := range g.rows[i].parts(p) {
			e, err := event.Wrap(head.Spec.Type, part)
			if err != nil {
				return nil, err
			}
			out = append(out, e)
		}
	}
	return out, nil
}

// learns says which product a row's number stands for, once, where the books do not know.
func (g *grid) learns(req *site.Request, r *gridRow, told map[string]bool) (out []*pb.Entry, err error) {
	product := r.get("product")
	if r.gtin == "" || product == "" || told[r.gtin+product] {
		return nil, nil
	}
	told[r.gtin+product] = true
	err = req.Read(func(l *query.ReadView) error {
		known, err := l.ProductsOf(r.gtin)
		for _, id := range known {
			if id == product {
				return err
			}
		}
		out = []*pb.Entry{{Body: &pb.Entry_ProductCoded{ProductCoded: &pb.ProductCoded{Product: product, Gtin: r.gtin}}}}
		return err
	})
	return out, err
}

// parts are the records of one row: a bag with a serial of its own is one, the rest
// another.
func (r *gridRow) parts(p *pb.BagsReceived) (out []*pb.BagsReceived) {
	for _, serial := range r.serials {
		if serial != "" {
			one := proto.CloneOf(p)
			one.Serial, one.Count, one.NotedCount = serial, 1, nil
			out = append(out, one)
		}
	}
	rest := proto.CloneOf(p)
	if rest.Count -= int32(len(out)); rest.Count > 0 || len(out) == 0 {
		if len(out) > 0 {
			rest.NotedCount = nil
		}
		out = append(out, rest)
	}
	return out
}

// all is the one request of all entries: its ids make two presses one delivery.
func (g *grid) all(ask *pb.WriteRequest, entries []*pb.Entry) *pb.WriteAllRequest {
	out := &pb.WriteAllRequest{}
	for i, e := range entries {
		one := proto.CloneOf(ask)
		one.Entry, one.RequestId = e, g.id+"-"+strconv.Itoa(i)
		out.Entries = append(out.Entries, one)
	}
	return out
}

// savedDelivery is the address of a delivery's stickers, once it is in the books.
func savedDelivery(l *query.ReadView, g *grid) (string, error) {
	if g.id == "" {
		return "", nil
	}
	records := url.Values{}
	for i := range maxGridCodes + 2*maxGridRows {
		rec, ok, err := l.ByRequest(g.id + "-" + strconv.Itoa(i))
		if err != nil {
			return "", err
		}
		if !ok {
			break
		}
		records.Add("record", rec.Hash.String()[:shortRecord])
	}
	if len(records) == 0 {
		return "", nil
	}
	return "/clinic/labels?" + records.Encode(), nil
}

// shortRecord is as many digits of a record's hash as an address has: enough to tell it
// from others.
const shortRecord = 16

// stickersOf tells of what was saved, and goes to the stickers of all its bags.
func stickersOf(req *site.Request, entries []*pb.Entry, out *pb.WriteAllResponse) error {
	records, bags := url.Values{}, 0
	told := &pb.WriteResponse{}
	for i, fate := range out.Fates {
		p := entries[i].GetBagsReceived()
		if p == nil {
			continue
		}
		bags += int(p.Count)
		records.Add("record", fate.Written.Record[:shortRecord])
		told.Saved, told.NoProof = fate.Written.Saved, fate.Written.NoProof
		told.Cautions = append(told.Cautions, fate.Written.Cautions...)
	}
	told.Cautions = onceEach(told.Cautions)
	told.Text = words.Say("delivery.done", bags, len(records["record"]))
	req.Saved(told)
	return req.Redirect("/clinic/labels?" + records.Encode())
}

// onceEach leaves out cautions that say the same.
func onceEach(in []*pb.Caution) (out []*pb.Caution) {
	told := map[string]bool{}
	for _, c := range in {
		if !told[c.Text] {
			told[c.Text] = true
			out = append(out, c)
		}
	}
	return out
}
