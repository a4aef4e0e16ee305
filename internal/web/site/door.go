package site

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"strings"
	"time"

	"thawtrail/internal/access"
	"thawtrail/internal/trust/pins"
	"thawtrail/internal/web/words"
	"thawtrail/internal/wholefile"
)

// Serve answers this machine's browsers until ctx ends. Ready is told the one-time
// address with which one signs in.
func (s *Site) Serve(ctx context.Context, l net.Listener, ready func(url string)) error {
	_, s.port, _ = net.SplitHostPort(l.Addr().String())
	srv := &http.Server{Handler: s, ReadHeaderTimeout: readTimeout, MaxHeaderBytes: 32 << 10, BaseContext: func(net.Listener) context.Context { return ctx }}
	stop := context.AfterFunc(ctx, func() { _ = srv.Close() }) // ending by Close is the normal end
	defer stop()
	ways, err := s.ways(time.Time{})
	if err != nil {
		return err
	}
	if s.Pages != nil {
		defer s.Pages.Served(s.freshWays)()
	}
	var text strings.Builder
	for _, w := range ways {
		text.WriteString(w.URL + "\n")
	}
	if s.URLFile != "" {
		if err := wholefile.Write(s.URLFile, []byte(text.String())); err != nil {
			// A full disk must not keep the pages shut: who started the program is told.
			s.Log.Warn("page.url could not be written; the pages' address is printed where this program was started", "error", err)
			_ = os.Remove(s.URLFile)
		}
	}
	for _, w := range ways {
		ready(w.URL)
	}
	if err := srv.Serve(l); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("pages on %s: %w", l.Addr(), err)
	}
	return nil
}

// Entrance makes a one-time address that opens a session in the browser that
// follows it first. Codes that nobody used are forgotten when there are many. One that
// was asked for while the program runs ends after entranceFor; that of the start lies in
// a file until it is used.
func (s *Site) Entrance() (string, error) { return s.entranceUntil(s.Clock.Now().Add(entranceFor)) }

// entranceUntil makes an address; the zero time is no end.
func (s *Site) entranceUntil(end time.Time) (string, error) {
	raw := make([]byte, 16)
	if _, err := rand.Read(raw); err != nil {
		return "", err
	}
	code := hex.EncodeToString(raw)
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.entrance) >= maxEntrances {
		clear(s.entrance)
	}
	s.entrance[code] = end
	return "http://127.0.0.1:" + s.port + "/enter/" + code, nil
}

// ways makes one one-time address for each part that this replica serves: the
// barn on a laptop, the clinic's and the owner's pages on the hub.
func (s *Site) ways(end time.Time) ([]access.Way, error) {
	parts := []string{"barn"}
	if s.Replica.Hub {
		parts = []string{"clinic", "owner"}
	}
	out := make([]access.Way, len(parts))
	for i, part := range parts {
		url, err := s.entranceUntil(end)
		if err != nil {
			return nil, err
		}
		out[i] = access.Way{Part: part, URL: url + "?to=/" + part}
	}
	return out, nil
}

// freshWays makes addresses while the pages are served.
func (s *Site) freshWays() ([]access.Way, time.Time, error) {
	end := s.Clock.Now().Add(entranceFor)
	out, err := s.ways(end)
	return out, end, err
}

// useEntrance spends a code. One that ends later than a fresh one would was made before
// the clock was set back: its time cannot be told.
func (s *Site) useEntrance(code string) bool {
	now := s.Clock.Now()
	s.mu.Lock()
	defer s.mu.Unlock()
	end, ok := s.entrance[code]
	delete(s.entrance, code)
	return ok && (end.IsZero() || now.Before(end) && end.Sub(now) <= entranceFor)
}

// ServeHTTP answers the browsers of this machine. It checks where a request comes
// from before any page sees it.
func (s *Site) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	s.serve(w, r, ofThisMachine(r.Host))
}

// serve is what both doors have in common: this machine's and that of phones.
func (s *Site) serve(w http.ResponseWriter, r *http.Request, hostAllowed bool) {
	h := w.Header()
	h.Set("Content-Security-Policy", "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'")
	h.Set("X-Frame-Options", "DENY")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "same-origin") // with no-referrer, browsers hide the origin of our own forms too
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	if !hostAllowed {
		http.Error(w, words.Say("door.host"), http.StatusMisdirectedRequest)
		return
	}
	if r.Method == http.MethodPost {
		if !sameOrigin(r) {
			http.Error(w, words.Say("door.origin"), http.StatusForbidden)
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, s.upload[r.URL.Path]+maxForm)
	}
	s.mux.ServeHTTP(w, r)
}

// ofThisMachine is the guard against DNS rebinding: only names of this machine.
func ofThisMachine(hostport string) bool {
	host, _, err := net.SplitHostPort(hostport)
	if err != nil {
		host = hostport
	}
	ip := net.ParseIP(strings.Trim(host, "[]"))
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// sameOrigin says that a browser made the POST on one of our own pages.
func sameOrigin(r *http.Request) bool {
	if site := r.Header.Get("Sec-Fetch-Site"); site != "" && site != "same-origin" {
		return false
	}
	scheme := "http://"
	if viaPhone(r) {
		scheme = "https://"
	}
	return r.Header.Get("Origin") == scheme+r.Host
}

// Session is a browser that is signed in.
type Session struct {
	ID     string
	Person string // the one person it writes for; empty: whoever is chosen in it
	Phone  bool   // it came in by the door of phones
	// Decides: it came in there for an owner or somebody of the clinic, at the clinic's
	// server, and may let others in.
	Decides bool
	// Owns: it came in there for an owner, and may take all records away.
	Owns bool
}

func (s *Site) mac(parts ...string) string {
	m := hmac.New(sha256.New, s.secret)
	for _, p := range parts {
		fmt.Fprintf(m, "%d:%s", len(p), p)
	}
	return hex.EncodeToString(m.Sum(nil))
}

// sessionOf reads the cookie; nil when it is not one that this replica gave at
// this door.
func (s *Site) sessionOf(r *http.Request) *Session {
	if viaPhone(r) {
		return s.sessionOfPhone(r)
	}
	c, err := r.Cookie(s.cookie)
	if err != nil {
		return nil
	}
	id, mac, ok := strings.Cut(c.Value, ".")
	if !ok || !hmac.Equal([]byte(mac), []byte(s.mac("session", id))) {
		return nil
	}
	return &Session{ID: id}
}

// Token is what proves that a form came from a page of this session.
func (s *Site) Token(sess *Session) string { return s.mac("token", sess.ID) }

// Enter opens a session for whoever follows a one-time address first.
func (s *Site) Enter(w http.ResponseWriter, r *http.Request) {
	if viaPhone(r) {
		s.turnAway(w, r)
		return
	}
	if s.sessionOf(r) == nil {
		if !s.useEntrance(r.PathValue("code")) {
			w.WriteHeader(http.StatusForbidden)
			s.shutDoor(w, words.Say("door.used"), s.Home())
			return
		}
		raw := make([]byte, 16)
		if _, err := rand.Read(raw); err != nil {
			http.Error(w, err.Error(), http.StatusInternalServerError)
			return
		}
		id := hex.EncodeToString(raw)
		// #nosec G124 -- plain HTTP on loopback; a Secure cookie would not come back
		http.SetCookie(w, &http.Cookie{
			Name: s.cookie, Value: id + "." + s.mac("session", id), Path: "/", HttpOnly: true,
			SameSite: http.SameSiteStrictMode, MaxAge: 365 * 24 * 3600,
		})
		if book := s.Replica.Pins; book != nil {
			book.Enter(pins.Session(id))
		}
	}
	// A page, not a redirect: a strict cookie does not travel on a redirect from
	// another program's link.
	home := s.Home()
	if to := r.URL.Query().Get("to"); to == "/barn" || to == "/clinic" || to == "/owner" {
		home = to
	}
	s.shutDoor(w, "", home)
}

// shutDoor is the page before a session; with no reason it is the way in.
func (s *Site) shutDoor(w http.ResponseWriter, reason, home string) {
	s.standAlone(w, map[string]any{"Reason": reason, "Home": home})
}

// ThrownAway is the last page of a rehearsal: next opens the one that follows it, real
// are the real pages; empty for none. It stands alone, since soon nothing answers.
func (req *Request) ThrownAway(next, real string) {
	req.W.Header().Set("Clear-Site-Data", `"cache", "storage"`) // what was typed leaves the browser too
	req.Site.standAlone(req.W, map[string]any{"Thrown": true, "Next": next, "Real": real})
}

// standAlone writes a page that needs no session and asks for nothing more.
func (s *Site) standAlone(w http.ResponseWriter, body map[string]any) {
	body["Rehearsal"] = s.Replica.Rehearsal()
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	if err := s.tmpl["door"].ExecuteTemplate(w, "door", body); err != nil {
		s.Log.Error("write a page", "error", err)
	}
}

// Home is where a session begins: the barn on a laptop, the clinic on the hub.
func (s *Site) Home() string {
	if s.Replica.Hub {
		return "/clinic"
	}
	return "/barn"
}
