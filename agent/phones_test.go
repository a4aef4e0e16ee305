package agent_test

import (
	"bytes"
	"context"
	"crypto/tls"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"thawtrail/agent"
	"thawtrail/internal/clock"
	"thawtrail/internal/refusal"
	"thawtrail/internal/testrun"
	"thawtrail/internal/trust/authority"
	pb "thawtrail/proto/thawtrail/v1"
)

// barn is a real agent that works alone, with two people, pages and a door for
// phones.
type barn struct {
	*laptop
	clock  *clock.Manual
	desk   pb.PhoneServiceClient
	at     string // where phones come in
	pages  string // one-time address of the laptop's own pages
	prints []string
}

func newBarn(t *testing.T) *barn {
	t.Helper()
	b := &barn{laptop: newLaptop(t, "north"), clock: clock.NewManual(time.Date(2026, 11, 24, 2, 10, 0, 0, time.UTC)), at: testrun.Address(t)}
	b.open()
	for _, e := range []*pb.Entry{
		{Body: &pb.Entry_PracticeFounded{PracticeFounded: &pb.PracticeFounded{Name: "Alder Creek Equine", Zone: "Australia/Sydney", Currency: "AUD", OwnerName: "M. Alder"}}},
		{Body: &pb.Entry_PersonAdded{PersonAdded: &pb.PersonAdded{Name: "J. Reed"}}},
	} {
		author := ""
		if e.GetPersonAdded() != nil {
			author = "M. Alder"
		}
		_, err := b.record.Write(t.Context(), &pb.WriteRequest{Entry: e, Author: author})
		require.NoError(t, err)
	}
	return b
}

// open starts the agent; started again, phones find it where it was.
func (b *barn) open() {
	b.t.Helper()
	var pages, phones atomic.Value
	_, b.stop = run(b.t, func(ctx context.Context, ready func(string)) error {
		cfg := b.config()
		cfg.Clock, cfg.Pages, cfg.Phone, cfg.Ready = b.clock, "127.0.0.1:0", b.at, ready
		cfg.PagesReady = func(url string) { pages.Store(url) }
		cfg.PhonesReady = func(addr string) { phones.Store(addr) }
		return agent.Run(ctx, cfg)
	})
	b.conn = dial(b.t, b.dir)
	b.reach(b.conn)
	eventually(b.t, "pages", func() bool { return pages.Load() != nil && phones.Load() != nil })
	b.pages, b.at = pages.Load().(string), phones.Load().(string)
	list, err := b.desk.ListPhones(b.t.Context(), &pb.ListPhonesRequest{})
	require.NoError(b.t, err)
	require.Equal(b.t, "https://"+b.at+"/pair", list.Addresses[0].Url)
	b.prints = list.CertificateSha256
}

func (b *barn) reach(conn *grpc.ClientConn) {
	b.record, b.audit, b.desk = pb.NewRecordServiceClient(conn), pb.NewAuditServiceClient(conn), pb.NewPhoneServiceClient(conn)
}

// code makes a code for J. Reed.
func (b *barn) code() string {
	b.t.Helper()
	made, err := b.desk.PairPhone(b.t.Context(), &pb.PairPhoneRequest{Person: "J. Reed"})
	require.NoError(b.t, err)
	require.Equal(b.t, "https://"+b.at+"/pair/"+made.Code.Code, made.Addresses[0].Url)
	require.Equal(b.t, "J. Reed", made.Code.PersonName)
	return made.Code.Code
}

// phone is a browser that has compared the fingerprint and went on.
type phone struct {
	*http.Client
	b *barn
}

func (b *barn) phone() *phone {
	b.t.Helper()
	jar, err := cookiejar.New(nil)
	require.NoError(b.t, err)
	transport := &http.Transport{ForceAttemptHTTP2: true, TLSClientConfig: &tls.Config{
		InsecureSkipVerify: true, // as a person who goes on after the warning
		VerifyConnection: func(s tls.ConnectionState) error {
			require.Equal(b.t, b.prints, authority.BrowserFingerprint(s.PeerCertificates[0].Raw), "what the laptop shows is what the phone sees")
			return nil
		},
	}}
	b.t.Cleanup(transport.CloseIdleConnections)
	return &phone{&http.Client{Jar: jar, Transport: transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}, b}
}

// ask sends one request, changed by change, and reads the answer.
func (p *phone) ask(method, path string, form url.Values, change func(*http.Request)) (int, string, http.Header) {
	p.b.t.Helper()
	req, err := http.NewRequestWithContext(p.b.t.Context(), method, "https://"+p.b.at+path, strings.NewReader(form.Encode()))
	require.NoError(p.b.t, err)
	if method == http.MethodPost {
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		req.Header.Set("Origin", "https://"+p.b.at)
	}
	if change != nil {
		change(req)
	}
	r, err := p.Do(req)
	require.NoError(p.b.t, err)
	defer r.Body.Close()
	raw, err := io.ReadAll(r.Body)
	require.NoError(p.b.t, err)
	return r.StatusCode, string(raw), r.Header
}

func (p *phone) get(path string) (int, string) {
	p.b.t.Helper()
	code, body, _ := p.ask(http.MethodGet, path, nil, nil)
	return code, body
}

func (p *phone) pair(code string) (int, string, http.Header) {
	p.b.t.Helper()
	return p.ask(http.MethodPost, "/pair", url.Values{"code": {code}, "name": {"Reed's phone"}}, nil)
}

var hidden = regexp.MustCompile(`name="(token|request_id)" value="([^"]+)"`)

// send fills in the form of a page.
func (p *phone) send(path string, fields url.Values) (int, string) {
	p.b.t.Helper()
	_, page := p.get(path)
	for _, m := range hidden.FindAllStringSubmatch(page, -1) {
		fields.Set(m[1], m[2])
	}
	code, body, _ := p.ask(http.MethodPost, path, fields, nil)
	return code, body
}

// TestAPhoneIsPaired goes the whole way: code, session, entries of one person,
// restart, revocation with a page open.
func TestAPhoneIsPaired(t *testing.T) {
	b := newBarn(t)
	added := b.newest().Record // J. Reed was added
	p := b.phone()
	code := b.code()
	status1, page := p.get("/pair/" + code)
	require.Equal(t, http.StatusOK, status1)
	require.Contains(t, page, `value="`+code+`"`)
	require.Contains(t, page, "SHA-256")
	for _, line := range b.prints {
		require.NotContains(t, page, line, "a page can be altered by whom the comparison is to find")
	}
	_, _ = p.get("/pair/" + code) // looking spends nothing
	status2, _, head := p.pair(code)
	require.Equal(t, http.StatusSeeOther, status2)
	for _, want := range []string{"__Host-", "Secure", "HttpOnly", "SameSite=Strict", "Path=/"} {
		require.Contains(t, head.Get("Set-Cookie"), want)
	}
	require.NotContains(t, head.Get("Set-Cookie"), "Domain")
	ok, page := p.get("/barn")
	require.Equal(t, http.StatusOK, ok)
	require.Contains(t, page, "J. Reed writes here")
	require.NotContains(t, page, `action="/who"`)
	for _, away := range []string{`href="/phones"`, `href="/another"`} {
		require.NotContains(t, page, away)
	}

	// It writes for one person, whatever is sent.
	before := b.records()
	laptopURL, err := url.Parse("https://" + b.at)
	require.NoError(t, err)
	for _, c := range p.Jar.Cookies(laptopURL) {
		p.Jar.SetCookies(laptopURL, []*http.Cookie{{Name: strings.TrimPrefix(c.Name, "__Host-") + "-who", Value: b.person("M. Alder")}})
	}
	saved, body := p.send("/open", url.Values{"kind": {"foal"}, "dam_name": {"Quiet Harbour"}, "sex": {"filly"}, "clock_checked": {"yes"}, "said_by": {b.person("M. Alder")}})
	require.Equal(t, http.StatusSeeOther, saved, body)
	require.Equal(t, before+1, b.records())
	require.Equal(t, "J. Reed", b.newest().Who)

	// What stays on the laptop.
	for _, path := range []string{"/phones", "/another", "/pin", "/owner/people", "/write/person_added", "/write/role_granted", "/write/rights_revoked", "/write/practice_founded"} {
		status, page := p.get(path)
		require.Equal(t, http.StatusForbidden, status, path)
		require.Contains(t, page, "stays on the laptop", path)
	}
	_, page = p.get("/barn")
	token := hiddenIn(page, "token", p)
	for path, fields := range map[string]url.Values{
		"/pin": {"person": {b.person("M. Alder")}, "pin": {"4711"}, "pin_again": {"4711"}}, "/phones": {"do": {"pair"}, "person": {b.person("M. Alder")}},
		"/write/person_added": {"name": {"Nobody"}},
		"/write/linked":       {"kind": {"Person "}, "first": {b.person("J. Reed")}, "second": {b.person("M. Alder")}, "reason": {"one"}},
		"/write/corrected":    {"original": {added}, "void": {"yes"}, "reason": {"never came"}},
	} {
		fields.Set("token", token)
		status, _, _ := p.ask(http.MethodPost, path, fields, nil)
		require.Equal(t, http.StatusForbidden, status, path)
	}

	_, _, _ = p.ask(http.MethodPost, "/who", url.Values{"token": {token}, "person": {b.person("M. Alder")}}, nil)
	_, page = p.get("/barn")
	require.Contains(t, page, "J. Reed writes here", "nobody else can be chosen there")

	// A restart keeps the session; the certificate is the same.
	prints := b.prints
	b.stop()
	for name, secrets := range map[string][]string{"phones.box": {"Reed's phone", "person"}, "phone.key": {"PRIVATE KEY", "CERTIFICATE"}} {
		raw, err := os.ReadFile(filepath.Join(b.dir, name))
		require.NoError(t, err)
		for _, s := range secrets {
			require.False(t, bytes.Contains(raw, []byte(s)), "%s in %s", s, name)
		}
	}
	b.open()
	require.Equal(t, prints, b.prints)
	ok, page = p.get("/barn")
	require.Equal(t, http.StatusOK, ok)
	require.Contains(t, page, "J. Reed writes here")

	// Shut out with a page open: the stream ends, and the session with it.
	lines := p.streams()
	list, err := b.desk.ListPhones(t.Context(), &pb.ListPhonesRequest{})
	require.NoError(t, err)
	require.Len(t, list.Phones, 1)
	require.Equal(t, "Reed's phone", list.Phones[0].Name)
	require.NotEmpty(t, list.Phones[0].LastSeenAt)
	out, err := b.desk.RevokePhone(t.Context(), &pb.RevokePhoneRequest{Phone: list.Phones[0].Phone[:4]})
	require.NoError(t, err)
	require.EqualValues(t, 1, out.PagesCut)
	_, err = io.ReadAll(lines) // until it is cut
	require.NoError(t, err)
	gone, page := p.get("/barn")
	require.Equal(t, http.StatusForbidden, gone)
	require.NotContains(t, page, "Alder Creek")
	_, err = b.desk.RevokePhone(t.Context(), &pb.RevokePhoneRequest{Phone: list.Phones[0].Phone})
	require.Equal(t, codes.NotFound, status.Code(err))
}

func hiddenIn(page, name string, p *phone) string {
	p.b.t.Helper()
	for _, m := range hidden.FindAllStringSubmatch(page, -1) {
		if m[1] == name {
			return m[2]
		}
	}
	// The barn page of one person has no form; any page with one has the token.
	_, page = p.get("/open")
	for _, m := range hidden.FindAllStringSubmatch(page, -1) {
		if m[1] == name {
			return m[2]
		}
	}
	p.b.t.Fatalf("no %s on the page", name)
	return ""
}

func (b *barn) records() int64 {
	b.t.Helper()
	answer, err := b.audit.GetDigest(b.t.Context(), &pb.GetDigestRequest{})
	require.NoError(b.t, err)
	return answer.Records
}

// newest is the last record that this laptop wrote.
func (b *barn) newest() *pb.GetRecordResponse {
	b.t.Helper()
	answer, err := b.audit.GetDigest(b.t.Context(), &pb.GetDigestRequest{})
	require.NoError(b.t, err)
	for _, h := range answer.Heads {
		if h.Lane == "ordinary" {
			r, err := b.audit.GetRecord(b.t.Context(), &pb.GetRecordRequest{Record: h.Hash})
			require.NoError(b.t, err)
			return r
		}
	}
	b.t.Fatal("this laptop has no log")
	return nil
}

func (b *barn) person(name string) string { return personOf(b.t, b.audit, name) }

// personOf is the id of a person who is called so.
func personOf(t *testing.T, people pb.AuditServiceClient, name string) string {
	t.Helper()
	list, err := people.ListPeople(t.Context(), &pb.ListPeopleRequest{})
	require.NoError(t, err)
	for _, p := range list.People {
		if p.Name == name {
			return p.Person
		}
	}
	t.Fatalf("nobody is called %s", name)
	return ""
}

// TestCodesOfPhones tries wrong, used and old codes on a real agent, and guesses.
func TestCodesOfPhones(t *testing.T) {
	b := newBarn(t)
	code := b.code()
	wrong := "9" + code[1:]
	if wrong == code {
		wrong = "0" + code[1:]
	}
	refused := func(code string, want int) {
		t.Helper()
		p := b.phone()
		defer p.CloseIdleConnections() // one address has few connections
		status, page, head := p.pair(code)
		require.Equal(t, want, status)
		require.Empty(t, head.Get("Set-Cookie"))
		require.NotContains(t, page, "Reed</", "a stranger learns no name")
		status, _ = p.get("/barn")
		require.Equal(t, http.StatusForbidden, status)
	}
	refused(wrong, http.StatusForbidden)
	refused("12", http.StatusUnprocessableEntity)
	status, _, _ := b.phone().pair(code)
	require.Equal(t, http.StatusSeeOther, status)
	refused(code, http.StatusForbidden)

	code = b.code()
	b.clock.Advance(10 * time.Minute)
	refused(code, http.StatusForbidden)

	code = b.code()
	b.clock.Advance(time.Minute)
	for range 10 {
		refused(wrong, http.StatusForbidden)
	}
	refused(code, http.StatusTooManyRequests)
	b.clock.Advance(6 * time.Second)
	status, _, _ = b.phone().pair(code)
	require.Equal(t, http.StatusSeeOther, status)
}

// TestStrangersAtThePhonesDoor get one page and nothing of the practice.
func TestStrangersAtThePhonesDoor(t *testing.T) {
	b := newBarn(t)
	code := b.code()
	p := b.phone()
	paths := []string{"/", "/barn", "/cases", "/clinic", "/clinic/stock", "/owner", "/owner/csv/use", "/live", "/phones", "/another", "/enter/00", "/nowhere"}
	for _, path := range paths {
		status, page := p.get(path)
		require.Equal(t, http.StatusForbidden, status, path)
		require.Contains(t, page, "Pair this phone", path)
		for _, secret := range []string{"Alder", "Reed", code} {
			require.NotContains(t, page, secret, path)
		}
	}
	for name, c := range map[string]struct {
		change func(*http.Request)
		want   int
	}{
		"a name that points here": {func(r *http.Request) { r.Host = "evil.example" }, http.StatusMisdirectedRequest},
		"this machine's name":     {func(r *http.Request) { r.Host = "localhost" + b.at[strings.Index(b.at, ":"):] }, http.StatusMisdirectedRequest},
		"another address":         {func(r *http.Request) { r.Host = "192.0.2.7:4290" }, http.StatusMisdirectedRequest},
		"another port":            {func(r *http.Request) { r.Host = "127.0.0.1:1" }, http.StatusMisdirectedRequest},
		"a form on another site":  {func(r *http.Request) { r.Header.Set("Origin", "https://evil.example") }, http.StatusForbidden},
		"a form in clear text":    {func(r *http.Request) { r.Header.Set("Origin", "http://"+b.at) }, http.StatusForbidden},
		"a form without origin":   {func(r *http.Request) { r.Header.Del("Origin") }, http.StatusForbidden},
		"a browser that says so":  {func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") }, http.StatusForbidden},
		"too much": {func(r *http.Request) {
			r.Body = io.NopCloser(strings.NewReader("code=" + strings.Repeat("1", 1<<20)))
			r.ContentLength = -1
		}, http.StatusRequestEntityTooLarge},
	} {
		other := b.phone()
		status, _, head := other.ask(http.MethodPost, "/pair", url.Values{"code": {code}}, c.change)
		other.CloseIdleConnections()
		require.Equal(t, c.want, status, name)
		require.Empty(t, head.Get("Set-Cookie"), name)
	}

	// Clear text, and TLS older than 1.3.
	raw, err := net.Dial("tcp", b.at)
	require.NoError(t, err)
	defer raw.Close()
	_, err = raw.Write([]byte("GET /barn HTTP/1.1\r\nHost: " + b.at + "\r\n\r\n"))
	require.NoError(t, err)
	answer, err := io.ReadAll(raw)
	require.NoError(t, err)
	require.Contains(t, string(answer), "400 Bad Request")
	require.NotContains(t, string(answer), "Pair this phone")
	_, err = tls.Dial("tcp", b.at, &tls.Config{InsecureSkipVerify: true, MaxVersion: tls.VersionTLS12})
	require.ErrorContains(t, err, "protocol version")

	// The two doors do not take each other's sessions.
	status, _, _ := p.pair(code)
	require.Equal(t, http.StatusSeeOther, status, "nothing above has spent the code")
	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	desk := &http.Client{Jar: jar}
	answered, err := desk.Get(b.pages)
	require.NoError(t, err)
	require.NoError(t, answered.Body.Close())
	home, err := url.Parse(b.pages)
	require.NoError(t, err)
	require.Len(t, jar.Cookies(home), 1)
	own := jar.Cookies(home)[0]
	stranger := b.phone()
	for _, name := range []string{own.Name, "__Host-" + own.Name} {
		status, _, _ := stranger.ask(http.MethodGet, "/barn", nil, func(r *http.Request) { r.AddCookie(&http.Cookie{Name: name, Value: own.Value}) })
		require.Equal(t, http.StatusForbidden, status, "the laptop's own session came over the network")
	}
	there, err := url.Parse("https://" + b.at)
	require.NoError(t, err)
	its := p.Jar.Cookies(there)[0]
	for _, name := range []string{own.Name, its.Name} {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+home.Host+"/barn", nil)
		require.NoError(t, err)
		req.AddCookie(&http.Cookie{Name: name, Value: its.Value})
		r, err := http.DefaultClient.Do(req)
		require.NoError(t, err)
		require.NoError(t, r.Body.Close())
		require.Equal(t, http.StatusForbidden, r.StatusCode)
	}
}

// TestNoDoorForPhones: an agent that was not told to lets none in, and says so.
func TestNoDoorForPhones(t *testing.T) {
	l := newLaptop(t, "north")
	l.start()
	desk := pb.NewPhoneServiceClient(l.conn)
	_, err := desk.PairPhone(t.Context(), &pb.PairPhoneRequest{Person: "J. Reed"})
	require.Equal(t, codes.FailedPrecondition, status.Code(err))
	require.ErrorContains(t, err, "--phone")
	list, err := desk.ListPhones(t.Context(), &pb.ListPhonesRequest{})
	require.NoError(t, err)
	require.Empty(t, list.Addresses)
	require.NoFileExists(t, filepath.Join(l.dir, "phone.key"))
}

// A phones' door that another program holds keeps nobody from working at this laptop:
// it is told before the agent says that it answers, and opened once it is free.
func TestABusyPhonesDoorStopsNoAgent(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	l := newLaptop(t, "north")
	var phones atomic.Value
	_, stop := run(t, func(ctx context.Context, ready func(string)) error {
		cfg := l.config()
		cfg.Phone, cfg.Ready = taken.Addr().String(), ready
		cfg.PhonesReady = func(addr string) { phones.Store(addr) }
		return agent.Run(ctx, cfg)
	})
	defer stop()
	conn := dial(t, l.dir)
	status := func() *pb.GetStatusResponse {
		out, err := pb.NewAuditServiceClient(conn).GetStatus(t.Context(), &pb.GetStatusRequest{})
		require.NoError(t, err)
		return out
	}
	down := status().Parts
	require.Len(t, down, 1)
	require.Equal(t, "paired browsers", down[0].Part)
	require.Contains(t, down[0].Problem, "--phone")
	require.Nil(t, phones.Load())
	require.NoError(t, taken.Close())
	eventually(t, "the phones' door", func() bool { return phones.Load() != nil && len(status().Parts) == 0 })

	cfg := l.config()
	cfg.Data, cfg.Phone = t.TempDir(), "0.0.0.0:phones"
	err = agent.Run(t.Context(), cfg)
	refused, ok := refusal.As(err)
	require.True(t, ok, "%v", err)
	require.Equal(t, "phone", refused.Field)
}
