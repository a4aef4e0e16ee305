package page

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/ledger"
	"thawtrail/internal/service"
	pb "thawtrail/proto/thawtrail/v1"
)

// receive takes a delivery and goes to the page that prints its bag numbers.
func receive(req *Request) error {
	f, err := req.newForm("bags_received", "product", "batch", "expiry", "volume_ml", "count", "place", "igg_cg_per_l", "cost_minor", "delivery", "supplier", "donor")
	if err != nil {
		return err
	}
	f.Submit = say("receive.submit")
	m := map[string]any{"Form": f, "Scan": ""}
	if req.Method == http.MethodPost {
		m["Read"] = scanInto(req, f)
		out, ok, err := f.post()
		if err != nil {
			return err
		}
		if ok {
			req.saved(out)
			made := out.Made
			if out.RepeatedRequest {
				made, err = bagsOf(req, out.Record)
				if err != nil {
					return err
				}
			}
			return req.redirect("/clinic/labels?" + url.Values{"bag": made}.Encode())
		}
		req.Code = http.StatusUnprocessableEntity
	}
	return req.render("receive", say("receive.title"), "clinic", m)
}

// scanInto reads a GS1 code typed or scanned as the batch, and puts its parts
// into their fields.
func scanInto(req *Request, f *Form) string {
	text := req.PostForm.Get("batch")
	r := label.Read(text, label.DayOf(req.Now))
	if r.Kind != label.KindGS1 || r.Batch == "" {
		return ""
	}
	req.PostForm.Set("batch", r.Batch)
	if req.PostForm.Get("expiry") == "" && r.Expiry != (label.Day{}) {
		req.PostForm.Set("expiry", r.Expiry.String())
	}
	if req.PostForm.Get("volume_ml") == "" && r.NetML > 0 {
		req.PostForm.Set("volume_ml", fmt.Sprint(r.NetML))
	}
	return say("receive.scan", r.Batch, r.Expiry)
}

// bagsOf lists the bags that a record touches.
func bagsOf(req *Request, record string) ([]string, error) {
	out, err := req.Site.Audit.GetRecord(req.Context(), &pb.GetRecordRequest{Record: record})
	if err != nil {
		return nil, err
	}
	var bags []string
	for _, e := range out.Entities {
		if id, ok := strings.CutPrefix(e, "bag/"); ok {
			bags = append(bags, id)
		}
	}
	return bags, nil
}

// labelView is one sticker.
type labelView struct {
	Number, Product, Batch, Expiry, Volume string
	Symbol                                 qrCode
}

// labels prints bag numbers.
func labels(req *Request) error {
	var out []labelView
	err := req.Read(func(l service.Look) error {
		for _, id := range req.URL.Query()["bag"] {
			number, err := label.ParseBag(id)
			if err != nil {
				return err
			}
			row := labelView{Number: number.String()}
			if row.Symbol, err = stickerOf(number); err != nil {
				return err
			}
			bag, err := l.Bag(string(number))
			if err != nil {
				return err
			}
			if bag != nil && bag.Label != nil {
				row.Product, row.Batch, row.Expiry = l.Name(event.KindProduct, bag.Label.Product), bag.Label.Batch, bag.Label.Expiry
				row.Volume = say("word.ml", bag.Label.VolumeMl)
			}
			if out = append(out, row); len(out) >= maxChoices {
				break
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	return req.render("labels", say("labels.title"), "clinic", out)
}

// moveMore is a page that works on the bags of one place.
type moveMore struct {
	Form   *Form
	Places []Option
	Place  string
	Name   string
	Empty  bool
}

// bagsHere prepares the choice of a place and its bags.
func bagsHere(req *Request, f *Form, field string) (*moveMore, error) {
	m := &moveMore{Form: f, Place: req.URL.Query().Get("place")}
	return m, req.Read(func(l service.Look) error {
		var err error
		if m.Places, err = names(l, event.KindPlace); err != nil {
			return err
		}
		for i, o := range m.Places {
			if o.Value == m.Place {
				m.Places[i].Checked, m.Name = true, o.Label
			}
		}
		if m.Name == "" {
			m.Place = ""
			return nil
		}
		in := f.input(field)
		in.Kind = kindTicks
		err = l.Bags(ledger.TermPlace(m.Place), func(bag *ledger.BagLine) error {
			if bag.Label != nil {
				in.Options = append(in.Options, Option{Value: bag.ID, Label: say("word.bag_line",
					bagText(bag.ID), l.Name(event.KindProduct, bag.Label.Product), bag.Label.Batch, bag.Label.Expiry, bag.Label.VolumeMl)})
			}
			return nil
		})
		m.Empty = len(in.Options) == 0
		return err
	})
}

// load carries bags from one place to another.
func load(req *Request) error {
	f, err := req.newForm("bags_moved", "bags", "to_place")
	if err != nil {
		return err
	}
	f.Submit = say("load.submit")
	f.input("to_place").Label = say("load.to")
	m, err := bagsHere(req, f, "bags")
	if err != nil {
		return err
	}
	return postOr(req, "load", say("load.title"), f, m, "/clinic/stock")
}

// countPlace notes what is seen at a place; what is not seen is the difference.
func countPlace(req *Request) error {
	f, err := req.newForm("place_counted", "bags_seen")
	if err != nil {
		return err
	}
	f.Submit = say("count.submit")
	more := &Input{Name: "also", Label: say("count.also"), Hint: say("count.also_hint"), Kind: kindBags}
	m, err := bagsHere(req, f, "bags_seen")
	if err != nil {
		return err
	}
	if m.Place != "" {
		f.set("place", m.Place)
	}
	if req.Method == http.MethodPost {
		more.Value = req.PostForm.Get("also")
		for _, t := range strings.FieldsFunc(more.Value, func(r rune) bool { return strings.ContainsRune(",; \r\n\t", r) }) {
			req.PostForm.Add("bags_seen", t)
		}
	}
	return postOr(req, "count", say("count.title"), f, map[string]any{"Move": m, "Also": more}, "/clinic/stock?place="+url.QueryEscape(m.Place))
}

// postOr saves a form and goes on, or shows its page.
func postOr(req *Request, tmpl, title string, f *Form, body any, to string) error {
	if req.Method == http.MethodPost {
		out, ok, err := f.post()
		if err != nil {
			return err
		}
		if ok {
			req.saved(out)
			return req.redirect(to)
		}
		req.Code = http.StatusUnprocessableEntity
	}
	return req.render(tmpl, title, "clinic", body)
}
