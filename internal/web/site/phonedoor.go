package site

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"time"

	"thawtrail/internal/refusal"
	"thawtrail/internal/trust/phones"
	"thawtrail/internal/trust/pins"
	"thawtrail/internal/web/words"
)

// Bounds of what a phone, or a stranger at the phones' door, can hold open. The
// live stream lifts the times for itself; its places are counted.
const (
	phoneReadTimeout  = 30 * time.Second
	phoneWriteTimeout = 60 * time.Second
	phoneIdleTimeout  = 2 * time.Minute
	phoneStreams      = 32 // requests under way on one connection
)

// cookieDays is how long a browser keeps a phone's session, and who writes: as long as browsers
// keep any cookie.
const cookieDays = 400

// ServePhones answers phones, and other browsers that are paired, until ctx ends.
func (s *Site) ServePhones(ctx context.Context, l net.Listener) error {
	srv := &http.Server{
		Handler: http.HandlerFunc(s.servePhone), TLSConfig: s.PhoneTLS, MaxHeaderBytes: 32 << 10,
		ReadHeaderTimeout: readTimeout, ReadTimeout: phoneReadTimeout, WriteTimeout: phoneWriteTimeout, IdleTimeout: phoneIdleTimeout,
		HTTP2:       &http.HTTP2Config{MaxConcurrentStreams: phoneStreams},
		ErrorLog:    slog.NewLogLogger(s.Log.Handler(), slog.LevelDebug), // what strangers do wrong is no fault of ours
		BaseContext: func(net.Listener) context.Context { return ctx },
	}
	stop := context.AfterFunc(ctx, func() { _ = srv.Close() }) // ending by Close is the normal end
	defer stop()
	if err := srv.ServeTLS(phones.Bounded(l), "", ""); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("pages for phones on %s: %w", l.Addr(), err)
	}
	return nil
}

// servePhone answers what comes in by the phones' door.
func (s *Site) servePhone(w http.ResponseWriter, r *http.Request) {
	s.serve(w, r, ofThisConnection(r) || s.ofThisName(r))
}

// viaPhone says that a request came in by the phones' door: TLS is spoken there
// and nowhere else.
func viaPhone(r *http.Request) bool { return r.TLS != nil }

// ofThisConnection is the guard against DNS rebinding where names have no meaning:
// the host must be the very address that the connection came in on.
func ofThisConnection(r *http.Request) bool {
	local, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	if !ok {
		return false
	}
	at, err := netip.ParseAddrPort(local.String())
	if err != nil {
		return false
	}
	asked, err := netip.ParseAddrPort(r.Host)
	if err != nil { // browsers leave 443 out
		ip, err := netip.ParseAddr(strings.Trim(r.Host, "[]"))
		if err != nil {
			return false
		}
		asked = netip.AddrPortFrom(ip, 443)
	}
	return asked == netip.AddrPortFrom(at.Addr().Unmap().WithZone(""), at.Port())
}

// ofThisName says that the host is one of the names that this machine was given. A name
// that somebody else made point here is none of them.
func (s *Site) ofThisName(r *http.Request) bool {
	local, ok := r.Context().Value(http.LocalAddrContextKey).(*net.TCPAddr)
	if !ok {
		return false
	}
	host, port, err := net.SplitHostPort(r.Host)
	if err != nil { // browsers leave 443 out
		host, port = r.Host, "443"
	}
	return port == strconv.Itoa(local.Port) && slices.ContainsFunc(s.Phones.Names, func(name string) bool {
		return strings.EqualFold(name, strings.TrimSuffix(host, "."))
	})
}

// phoneCookie names the cookie of a paired phone. The prefix makes browsers take
// it over TLS alone, from this very host.
func (s *Site) phoneCookie() string { return "__Host-" + s.cookie }

func (s *Site) sessionOfPhone(r *http.Request) *Session {
	c, err := r.Cookie(s.phoneCookie())
	if err != nil {
		return nil
	}
	p, ok := s.Phones.Registry.Know(c.Value)
	if !ok || !s.Phones.Admits(p.Person) {
		return nil
	}
	return &Session{ID: p.ID, Person: p.Person, Phone: true, Decides: s.Phones.Decides(p.Person), Owns: s.Phones.Owns(p.Person)}
}

// turnAway answers a browser without a session.
func (s *Site) turnAway(w http.ResponseWriter, r *http.Request) {
	if viaPhone(r) {
		s.pairForm(w, r, http.StatusForbidden, "")
		return
	}
	w.WriteHeader(http.StatusForbidden)
	s.shutDoor(w, words.Say("door.closed"), s.Home())
}

// pairForm is the page on which a phone types its code. All that a stranger can
// see of this laptop is this page.
func (s *Site) pairForm(w http.ResponseWriter, r *http.Request, status int, trouble string) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	code := r.PathValue("code")
	if r.Method == http.MethodPost {
		code = r.PostForm.Get("code")
	}
	if _, err := phones.ParseCode(code); err != nil {
		code = ""
	}
	err := s.tmpl["pair"].ExecuteTemplate(w, "pair", map[string]any{
		"Code": code, "Name": r.PostForm.Get("name"), "Trouble": trouble, "Paired": s.sessionOf(r) != nil, "Home": s.Home(), "Hub": s.Replica.Hub,
	})
	if err != nil {
		s.Log.Error("write a page", "page", "pair", "error", err)
	}
}

// ShowPair serves the form; looking at it spends nothing.
func (s *Site) ShowPair(w http.ResponseWriter, r *http.Request) {
	if !viaPhone(r) {
		http.NotFound(w, r)
		return
	}
	s.pairForm(w, r, http.StatusOK, "")
}

// PairPhone spends a code and begins the phone's session.
func (s *Site) PairPhone(w http.ResponseWriter, r *http.Request) {
	if !viaPhone(r) {
		http.NotFound(w, r)
		return
	}
	if err := r.ParseForm(); err != nil {
		s.pairForm(w, r, http.StatusRequestEntityTooLarge, words.Say("trouble.large"))
		return
	}
	earlier := s.sessionOf(r)
	p, cookie, err := s.Phones.Registry.Pair(r.PostForm.Get("code"), r.PostForm.Get("name"))
	if err != nil {
		s.pairForm(w, r, pairStatus(err), s.pairTrouble(err))
		return
	}
	if earlier != nil { // this browser has one session
		if _, _, err := s.Phones.Registry.Revoke(earlier.ID); err != nil {
			s.Log.Warn("a phone that was paired again keeps its earlier session", "phone", earlier.ID, "error", err)
		}
	}
	if book := s.Replica.Pins; book != nil {
		book.Enter(pins.Session(p.ID))
	}
	s.Log.Info("a phone was paired", "phone", p.ID, "person", p.Person)
	http.SetCookie(w, &http.Cookie{
		Name: s.phoneCookie(), Value: cookie, Path: "/", HttpOnly: true, Secure: true,
		SameSite: http.SameSiteStrictMode, MaxAge: cookieDays * 24 * 3600,
	})
	http.Redirect(w, r, s.Home(), http.StatusSeeOther)
}

func pairStatus(err error) int {
	switch {
	case errors.Is(err, phones.ErrTooManyTries):
		return http.StatusTooManyRequests
	case errors.Is(err, phones.ErrNoSuchCode):
		return http.StatusForbidden
	case errors.Is(err, phones.ErrFull):
		return http.StatusConflict
	}
	if _, ok := refusal.As(err); ok {
		return http.StatusUnprocessableEntity
	}
	return http.StatusInternalServerError
}

// pairTrouble says why a phone was not paired, and to a stranger nothing more.
func (s *Site) pairTrouble(err error) string {
	if ref, ok := refusal.As(err); ok && ref.Field == "name" {
		return words.Say("pair.name_wrong")
	} else if ok {
		return words.Say("pair.code_wrong")
	}
	own := map[int]string{
		http.StatusForbidden: words.Say("pair.unknown"), http.StatusConflict: words.Say("pair.full"), http.StatusInternalServerError: words.Say("pair.unsaved"),
	}
	if s.Replica.Hub {
		own = map[int]string{
			http.StatusForbidden: words.Say("network.unknown"), http.StatusConflict: words.Say("network.full"), http.StatusInternalServerError: words.Say("network.unsaved"),
		}
	}
	return cmp.Or(own[pairStatus(err)], words.Say("pair.wait"))
}
