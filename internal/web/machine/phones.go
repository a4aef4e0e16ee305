package machine

import (
	"net/http"
	"strconv"
	"strings"

	"github.com/boombuler/barcode/qr"

	"thawtrail/internal/event"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// phonesMore is the page of the laptop's phones.
type phonesMore struct {
	Trouble     string
	Listening   bool
	Addresses   []site.Option // where a phone comes in; the one of the symbols is marked
	Codes       []phoneCode
	Phones      []pairedPhone
	People      []site.Option
	Fingerprint []string
}

// phoneCode is a code that a phone can use now, with the symbol that opens it.
type phoneCode struct {
	Code, Person, URL string
	Until             string
	UntilMs           int64
	Symbol            site.QR
}

type pairedPhone struct{ ID, Name, Person, Paired, Seen, By string }

// ShowPhones serves the page of phones; a POST makes a code or shuts a phone out.
func ShowPhones(req *site.Request) error {
	if req.Site.Phones == nil {
		return site.ErrNotFound
	}
	m := &phonesMore{}
	if req.Method == http.MethodPost {
		err := changePhones(req)
		if err == nil {
			return req.Redirect("/phones?at=" + strconv.Itoa(addressAsked(req)))
		}
		text, plain := refusal.Plain(err)
		if !plain {
			return err
		}
		m.Trouble, req.Code = text, http.StatusUnprocessableEntity
	}
	if err := fillPhones(req, m); err != nil {
		return err
	}
	if req.Site.Replica.Hub {
		return req.Render("phones", words.Say("network.title"), "clinic", m)
	}
	return req.Render("phones", words.Say("phones.title"), "barn", m)
}

// changePhones does what a form of the page asks for.
func changePhones(req *site.Request) error {
	if req.PostForm.Get("do") == "revoke" {
		_, err := req.Site.Phones.RevokePhone(req.Context(), &pb.RevokePhoneRequest{Phone: req.PostForm.Get("phone")})
		return err
	}
	people, err := req.People()
	if err != nil {
		return err
	}
	by := req.Who(people)
	if by == "" && req.Site.Replica.Hub {
		return refusal.Fail(refusal.ErrUnready, "%s", words.Say("network.who"))
	}
	_, err = req.Site.Phones.PairPhone(req.Context(), &pb.PairPhoneRequest{Person: req.PostForm.Get("person"), By: by})
	return err
}

// addressAsked is which of the laptop's addresses the symbols are to open.
func addressAsked(req *site.Request) int {
	n, err := strconv.Atoi(req.FormValue("at"))
	if err != nil || n < 0 {
		return 0
	}
	return n
}

func fillPhones(req *site.Request, m *phonesMore) error {
	list, err := req.Site.Phones.ListPhones(req.Context(), &pb.ListPhonesRequest{})
	if err != nil {
		return err
	}
	m.Listening, m.Fingerprint = len(list.CertificateSha256) > 0, list.CertificateSha256
	at, base := addressAsked(req), ""
	if at >= len(list.Addresses) {
		at = 0 // an interface went away
	}
	for i, a := range list.Addresses {
		m.Addresses = append(m.Addresses, site.Option{Value: strconv.Itoa(i), Label: strings.TrimSpace(a.Interface + " " + a.Url), Checked: i == at})
		if i == at {
			base = a.Url
		}
	}
	for _, c := range list.Codes {
		until := words.ParseTime(c.ExpiresAt)
		view := phoneCode{
			Code: c.Code[:4] + " " + c.Code[4:], Person: c.PersonName, URL: base + "/" + c.Code, Until: words.Moment(until), UntilMs: until.UnixMilli(),
		}
		if view.Symbol, err = site.NewQR(view.URL, qr.M); err != nil {
			return err
		}
		m.Codes = append(m.Codes, view)
	}
	for _, p := range list.Phones {
		m.Phones = append(m.Phones, pairedPhone{p.Phone, p.Name, p.PersonName, words.Moment(words.ParseTime(p.PairedAt)), words.Moment(words.ParseTime(p.LastSeenAt)), p.MadeByName})
	}
	return req.Read(func(l *query.ReadView) error {
		m.People, err = site.Names(l, event.KindPerson)
		return err
	})
}
