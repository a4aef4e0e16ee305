package site

import (
	"crypto/hmac"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/replication"
	"thawtrail/internal/web/words"
)

// Request is one request of a browser that is signed in, with its answer.
type Request struct {
	Site *Site
	W    http.ResponseWriter
	*http.Request
	Session *Session
	Now     time.Time
	// changes is the store's count before the page was read: the page is as new.
	changes uint64
	Code    int // status of the answer
	// FlashBelow leaves it to the page to show what was saved: where an alarm stands,
	// its numbers come first.
	FlashBelow bool

	Locked   bool   // the browser is locked
	chosen   string // the person chosen by this very request
	refusals []refused
}

// refused is one thing that keeps a form from being saved.
type refused struct {
	Field, Label, Text string // the field's element and name; empty: none stands for it
}

// Refuse puts a line at the top of the page: why a form was not saved. It says whether
// it is the first one, whose field takes the focus.
func (req *Request) Refuse(field, label, text string) (first bool) {
	req.refusals = append(req.refusals, refused{field, label, text})
	return len(req.refusals) == 1
}

// Refusals counts the lines at the top of the page.
func (req *Request) Refusals() int { return len(req.refusals) }

// Read hands on the read view of the replica: all that is read in it is of one
// moment.
func (req *Request) Read(fn func(*query.ReadView) error) error {
	return query.Reader{Replica: req.Site.Replica}.View(req.Context(), fn)
}

// Handler answers a request, or gives an error that a page then tells.
type Handler func(*Request) error

// ErrNotFound is a page that does not exist.
var ErrNotFound = errors.New("nowhere")

// Page registers a handler for GET, or for POST with the session's token.
func (s *Site) Page(pattern string, h Handler) {
	s.handle(pattern, func(req *Request) error {
		if req.Method != http.MethodPost {
			return req.answer(h)
		}
		return req.sent(req.ParseForm(), h)
	})
}

// sent answers a form that was read, or could not be, and that has to prove its session.
func (req *Request) sent(read error, h Handler) error {
	if read != nil {
		req.Fail(http.StatusRequestEntityTooLarge, words.Say("trouble.large"))
		return nil
	}
	if !req.Proves(req.PostForm.Get("token")) {
		req.Fail(http.StatusForbidden, words.Say("trouble.token"))
		return nil
	}
	return req.answer(h)
}

// Both registers a page that is read and sent.
func (s *Site) Both(address string, h Handler) {
	s.Page("GET "+address, h)
	s.Page("POST "+address, h)
}

// Here registers a page that is read and sent in the browsers of this machine: no
// phone gets it.
func (s *Site) Here(pattern string, h Handler) {
	s.Page(pattern, func(req *Request) error {
		if req.Session.Phone {
			req.Stays()
			return nil
		}
		return h(req)
	})
}

// Decided registers a page about people and who is let in: for the browsers of this
// machine, and at the clinic's server for those of an owner or of the clinic too.
func (s *Site) Decided(pattern string, h Handler) {
	s.Page(pattern, func(req *Request) error {
		if !req.Session.MayDecide() {
			req.Stays()
			return nil
		}
		return h(req)
	})
}

// Owned registers a page by which all records can be taken away: for the browsers of this
// machine, and at the clinic's server for those of an owner too.
func (s *Site) Owned(pattern string, h Handler) {
	s.Page(pattern, func(req *Request) error {
		if req.Session.Phone && !req.Session.Owns {
			req.Fail(http.StatusForbidden, words.Say("backup.owners"))
			return nil
		}
		return h(req)
	})
}

// MayDecide says that people and rights may be decided on in this browser.
func (s *Session) MayDecide() bool { return !s.Phone || s.Decides }

// Stays tells a phone that this is not for it.
func (req *Request) Stays() {
	if req.Site.Replica.Hub {
		req.Fail(http.StatusForbidden, words.Say("network.stays"))
		return
	}
	req.Fail(http.StatusForbidden, words.Say("phones.stays"))
}

// Upload registers where a form goes that takes a practice's books. It is read part by
// part, since they do not fit into memory; the handler wants the session's token first.
func (s *Site) Upload(address string, h Handler) {
	s.upload[address] = replication.MaxCarried
	s.handle("POST "+address, func(req *Request) error {
		if req.Session.Phone {
			s.turnAway(req.W, req.Request)
			return nil
		}
		req.PostForm = url.Values{} // what admit asks of other forms is not in this one
		return req.answer(h)
	})
}

// File registers where a form goes that takes a file of so many bytes at most: it is read
// whole, so that the page is sent again like any other.
func (s *Site) File(address string, most int64, h Handler) {
	s.upload[address] = most
	s.handle("POST "+address, func(req *Request) error {
		err := req.ParseMultipartForm(most + maxForm) // all of it in memory
		if errors.Is(err, http.ErrNotMultipart) {     // sent again from the page that opens a locked browser
			err = nil
		}
		return req.sent(err, h)
	})
}

// Chosen is the file that was chosen in a form of such a page; none is empty.
func (req *Request) Chosen(field string) ([]byte, error) {
	file, _, err := req.FormFile(field)
	if err != nil {
		return nil, nil
	}
	defer file.Close()
	return io.ReadAll(file)
}

// Open registers a page for everybody: the door itself, and what it needs.
func (s *Site) Open(pattern string, h http.HandlerFunc) { s.mux.HandleFunc(pattern, h) }

// handle registers what answers a browser that is signed in.
func (s *Site) handle(pattern string, h Handler) {
	s.mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
		sess := s.sessionOf(r)
		if sess == nil {
			s.turnAway(w, r)
			return
		}
		req := &Request{Site: s, W: w, Request: r, Session: sess, Now: s.Clock.Now(), changes: s.Replica.Store.Changes(), Code: http.StatusOK}
		w.Header().Set("Cache-Control", "no-store")
		if err := h(req); err != nil {
			req.failWith(err)
		}
	})
}

// answer lets a handler answer, unless the browser is locked and may not go on.
func (req *Request) answer(h Handler) error {
	if answered, err := req.admit(); answered || err != nil {
		return err
	}
	return h(req)
}

// Proves says that a form came from a page of this session.
func (req *Request) Proves(token string) bool {
	return hmac.Equal([]byte(token), []byte(req.Site.Token(req.Session)))
}

// failWith tells an error as a page.
func (req *Request) failWith(err error) {
	if ref, ok := refusal.As(err); ok {
		req.Fail(http.StatusNotFound, ref.Error())
		return
	}
	if errors.Is(err, ErrNotFound) {
		req.Fail(http.StatusNotFound, words.Say("trouble.nowhere"))
		return
	}
	switch {
	case errors.Is(err, refusal.ErrNotFound):
		req.Fail(http.StatusNotFound, err.Error())
	case errors.Is(err, refusal.ErrDenied):
		req.Fail(http.StatusForbidden, err.Error())
	default:
		req.Site.Log.Error("make a page", "page", req.URL.Path, "error", err)
		req.Fail(http.StatusInternalServerError, err.Error())
	}
}

// Fail tells why there is no page.
func (req *Request) Fail(code int, text string) {
	req.Code = code
	if err := req.Render("trouble", words.Say("trouble.title"), "", text); err != nil {
		req.Site.Log.Error("make a page", "page", req.URL.Path, "error", err)
	}
}

// keptFor is how long ago a press may have been that a browser kept: longer ago, its
// clock has been set meanwhile.
const keptFor = 30 * 24 * time.Hour

// Pressed is when the button of this form was pressed, where that was before now: the
// browser keeps a press while nobody answers, and sends it with its own time.
func (req *Request) Pressed() (at time.Time, earlier bool) {
	ms, err := strconv.ParseInt(req.PostForm.Get(PressedAt), 10, 64)
	at = time.UnixMilli(ms)
	if err != nil || !at.Before(req.Now) || req.Now.Sub(at) > keptFor {
		return req.Now, false
	}
	return at, true
}

// PressedAt is the field with the time of a press that was kept, PressedBy that with the
// person who wrote at the page.
const (
	PressedAt = "pressed_at"
	PressedBy = "pressed_by"
)

// Redirect ends a POST. Only places on this site are gone to. The script is told the
// place: it leaves its page when it knows that the press was taken.
func (req *Request) Redirect(to string) error {
	if !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\r\n") {
		to = req.Site.Home()
	}
	if req.Header.Get("X-Press") != "" {
		req.W.Header().Set("X-To", to)
		req.W.WriteHeader(http.StatusNoContent)
		return nil
	}
	http.Redirect(req.W, req.Request, to, http.StatusSeeOther)
	return nil
}

// NewRequestID makes the id that keeps one form one record.
func NewRequestID() string {
	raw := make([]byte, 12)
	if _, err := rand.Read(raw); err != nil {
		panic(err) // crypto/rand never fails on the systems we run on
	}
	return "page-" + hex.EncodeToString(raw)
}

// FileName is the name of a file that a browser is to save.
func (req *Request) FileName(name string) string {
	if req.Site.Replica.Rehearsal() {
		name = words.Say("rehearsal.mark") + "-" + name
	}
	return "thawtrail-" + name
}
