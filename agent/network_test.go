package agent_test

import (
	"bufio"
	"context"
	"crypto/tls"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"regexp"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"thawtrail/agent"
	"thawtrail/internal/clock"
	"thawtrail/internal/testrun"
	"thawtrail/internal/trust/invite"
	pb "thawtrail/proto/thawtrail/v1"
	"thawtrail/server"
)

// office is a real server whose pages other computers of the clinic open, with an
// owner, R. Low of the clinic and J. Reed, a vet.
type office struct {
	*clinic
	clock   *clock.Manual
	record  pb.RecordServiceClient
	people  pb.AuditServiceClient
	desk    pb.PhoneServiceClient
	ways    pb.PageServiceClient
	network string   // where browsers of the network come in
	pages   []string // one-time addresses of this machine's own
	prints  []string
	grants  map[string]string // by name
}

func newOffice(t *testing.T) *office {
	t.Helper()
	o := &office{
		clinic: &clinic{t: t, dir: t.TempDir(), log: &said{}}, network: testrun.Address(t), grants: map[string]string{},
		clock: clock.NewManual(time.Date(2026, 11, 24, 2, 10, 0, 0, time.UTC)),
	}
	begun, err := server.Init(t.Context(), server.InitConfig{
		Data: o.dir, Secret: secret(t), Cost: cheap, Practice: "Alder Creek Equine", Zone: "Australia/Sydney", Currency: "AUD", Owner: "M. Alder",
	})
	require.NoError(t, err)
	o.sheet = begun.Sheet
	o.open(server.Config{Pages: "127.0.0.1:0", Network: o.network})
	for name, role := range map[string]pb.Role{"R. Low": pb.Role_ROLE_CLINIC, "J. Reed": pb.Role_ROLE_VET} {
		o.write(&pb.Entry{Body: &pb.Entry_PersonAdded{PersonAdded: &pb.PersonAdded{Name: name}}})
		o.grants[name] = o.write(&pb.Entry{Body: &pb.Entry_RoleGranted{RoleGranted: &pb.RoleGranted{Person: o.person(name), Roles: []pb.Role{role}}}})
	}
	return o
}

// open starts the server; started again, browsers find it where it was.
func (o *office) open(cfg server.Config) {
	o.t.Helper()
	var network atomic.Value
	pages := make(chan string, 2)
	cfg.Data, cfg.Secret, cfg.Listen, cfg.Log, cfg.Clock = o.dir, secret(o.t), "127.0.0.1:0", o.log.logger(), o.clock
	cfg.PagesReady = func(url string) { pages <- url }
	cfg.NetworkReady = func(addr string) { network.Store(addr) }
	o.addr, o.stop = run(o.t, func(ctx context.Context, ready func(string)) error {
		cfg.Ready = ready
		return server.Run(ctx, cfg)
	})
	o.conn = dial(o.t, o.dir)
	o.record, o.people, o.desk = pb.NewRecordServiceClient(o.conn), pb.NewAuditServiceClient(o.conn), pb.NewPhoneServiceClient(o.conn)
	o.ways = pb.NewPageServiceClient(o.conn)
	o.pages = []string{<-pages, <-pages}
	eventually(o.t, "the network's door", func() bool { return network.Load() != nil })
	o.network = network.Load().(string)
	list, err := o.desk.ListPhones(o.t.Context(), &pb.ListPhonesRequest{})
	require.NoError(o.t, err)
	o.prints = list.CertificateSha256
}

func (o *office) write(e *pb.Entry) (record string) {
	o.t.Helper()
	out, err := o.record.Write(o.t.Context(), &pb.WriteRequest{Entry: e, Author: "M. Alder"})
	require.NoError(o.t, err)
	return out.Record
}

func (o *office) person(name string) string { return personOf(o.t, o.people, name) }

// browser is one of another computer, which has compared the fingerprint.
func (o *office) browser() *phone {
	return (&barn{laptop: &laptop{t: o.t}, at: o.network, prints: o.prints}).phone()
}

func (o *office) code(person string) string {
	o.t.Helper()
	made, err := o.desk.PairPhone(o.t.Context(), &pb.PairPhoneRequest{Person: person})
	require.NoError(o.t, err)
	require.Equal(o.t, "https://"+o.network+"/pair/"+made.Code.Code, made.Addresses[0].Url)
	return made.Code.Code
}

// paired is a browser that was let in for a person.
func (o *office) paired(person string) *phone {
	o.t.Helper()
	p := o.browser()
	status, page, _ := p.pair(o.code(person))
	require.Equal(o.t, http.StatusSeeOther, status, page)
	return p
}

// streams opens the live stream of a page; the rest of it ends when it is cut.
func (p *phone) streams() *bufio.Reader {
	p.b.t.Helper()
	req, err := http.NewRequestWithContext(p.b.t.Context(), http.MethodGet, "https://"+p.b.at+"/live", nil)
	require.NoError(p.b.t, err)
	stream, err := p.Do(req)
	require.NoError(p.b.t, err)
	p.b.t.Cleanup(func() { _ = stream.Body.Close() })
	lines := bufio.NewReader(stream.Body)
	for first := ""; first != "event: hello\n"; {
		first, err = lines.ReadString('\n')
		require.NoError(p.b.t, err)
	}
	return lines
}

// TestAComputerOfTheClinicIsPaired goes the whole way over the network: who may let in,
// whose entries they are, a restart, and shut out with a page open.
func TestAComputerOfTheClinicIsPaired(t *testing.T) {
	t.Parallel()
	o := newOffice(t)
	low := o.paired("R. Low")
	ok, page := low.get("/clinic")
	require.Equal(t, http.StatusOK, ok)
	require.Contains(t, page, "R. Low writes here")
	saved, body := low.send("/write/place_added", url.Values{"name": {"clinic freezer"}, "kind": {"freezer"}, "clock_checked": {"yes"}})
	require.Equal(t, http.StatusSeeOther, saved, body)
	for _, path := range []string{"/another", "/pin", "/own-place"} {
		status, _ := low.get(path)
		require.Equal(t, http.StatusForbidden, status, "%s stays on the server itself", path)
	}

	// Somebody of the clinic lets a vet in, who may let in nobody.
	status1, body := low.send("/phones", url.Values{"do": {"pair"}, "person": {o.person("J. Reed")}})
	require.Equal(t, http.StatusSeeOther, status1, body)
	list, err := o.desk.ListPhones(t.Context(), &pb.ListPhonesRequest{})
	require.NoError(t, err)
	require.Len(t, list.Codes, 1)
	reed := o.browser()
	status2, _, _ := reed.pair(list.Codes[0].Code)
	require.Equal(t, http.StatusSeeOther, status2)
	for _, path := range []string{"/phones", "/owner/people", "/write/role_granted"} {
		status, page := reed.get(path)
		require.Equal(t, http.StatusForbidden, status, path)
		require.Contains(t, page, "owners and the clinic", path)
	}
	_, err = o.desk.PairPhone(t.Context(), &pb.PairPhoneRequest{Person: "R. Low", By: "J. Reed"})
	require.Equal(t, codes.PermissionDenied, status.Code(err))
	o.write(&pb.Entry{Body: &pb.Entry_PersonAdded{PersonAdded: &pb.PersonAdded{Name: "N. Obody"}}})
	_, err = o.desk.PairPhone(t.Context(), &pb.PairPhoneRequest{Person: "N. Obody"})
	require.Equal(t, codes.FailedPrecondition, status.Code(err))

	list, err = o.desk.ListPhones(t.Context(), &pb.ListPhonesRequest{})
	require.NoError(t, err)
	require.Equal(t, []string{"M. Alder", "R. Low"}, []string{list.Phones[0].MadeByName, list.Phones[1].MadeByName}, "the books know who let each in")

	o.stop()
	o.open(server.Config{Pages: "127.0.0.1:0", Network: o.network})
	ok, page = low.get("/clinic")
	require.Equal(t, http.StatusOK, ok)
	require.Contains(t, page, "R. Low writes here")

	lines := low.streams()
	out, err := o.desk.RevokePhone(t.Context(), &pb.RevokePhoneRequest{Phone: list.Phones[0].Phone})
	require.NoError(t, err)
	require.EqualValues(t, 1, out.PagesCut)
	_, err = io.ReadAll(lines)
	require.NoError(t, err)
	gone, page := low.get("/clinic")
	require.Equal(t, http.StatusForbidden, gone)
	require.NotContains(t, page, "Alder Creek")
	ok, _ = reed.get("/clinic")
	require.Equal(t, http.StatusOK, ok, "another's stays")
}

// TestARoleThatEndsClosesItsPages on computers of the network, at once and for good.
func TestARoleThatEndsClosesItsPages(t *testing.T) {
	t.Parallel()
	o := newOffice(t)
	low, reed := o.paired("R. Low"), o.paired("J. Reed")
	lines := low.streams()
	code := o.code("R. Low")
	o.write(&pb.Entry{Body: &pb.Entry_RightsRevoked{RightsRevoked: &pb.RightsRevoked{Grant: o.grants["R. Low"], Reason: "left the practice"}}})
	_, err := io.ReadAll(lines)
	require.NoError(t, err, "the open page is cut")
	gone, page := low.get("/clinic")
	require.Equal(t, http.StatusForbidden, gone)
	require.NotContains(t, page, "Alder Creek")
	late := o.browser()
	_, _, _ = late.pair(code) // a code from before opens nothing either
	gone, _ = late.get("/clinic")
	require.Equal(t, http.StatusForbidden, gone)
	ok, _ := reed.get("/clinic")
	require.Equal(t, http.StatusOK, ok)
	_, err = o.desk.PairPhone(t.Context(), &pb.PairPhoneRequest{Person: "R. Low"})
	require.Equal(t, codes.FailedPrecondition, status.Code(err))
	_, err = o.desk.PairPhone(t.Context(), &pb.PairPhoneRequest{Person: "J. Reed", By: "R. Low"})
	require.Equal(t, codes.PermissionDenied, status.Code(err))

	// A role given again needs a new pairing.
	o.write(&pb.Entry{Body: &pb.Entry_RoleGranted{RoleGranted: &pb.RoleGranted{Person: o.person("R. Low"), Roles: []pb.Role{pb.Role_ROLE_CLINIC}}}})
	gone, _ = low.get("/clinic")
	require.Equal(t, http.StatusForbidden, gone)
	status1, _, _ := low.pair(o.code("R. Low"))
	require.Equal(t, http.StatusSeeOther, status1)
}

// TestCodesOfTheNetwork tries wrong, used and old codes at the server.
func TestCodesOfTheNetwork(t *testing.T) {
	t.Parallel()
	o := newOffice(t)
	refused := func(code string) {
		t.Helper()
		p := o.browser()
		defer p.CloseIdleConnections()
		status, _, head := p.pair(code)
		require.Equal(t, http.StatusForbidden, status)
		require.Empty(t, head.Get("Set-Cookie"))
	}
	code := o.code("R. Low")
	refused(string('0'+(code[0]-'0'+1)%10) + code[1:])
	status, _, _ := o.browser().pair(code)
	require.Equal(t, http.StatusSeeOther, status)
	refused(code)
	code = o.code("R. Low")
	o.clock.Advance(10 * time.Minute)
	refused(code)
}

// TestStrangersAtTheNetworksDoor get one page and nothing of the practice, by whatever
// name they come.
func TestStrangersAtTheNetworksDoor(t *testing.T) {
	t.Parallel()
	o := newOffice(t)
	code := o.code("R. Low")
	_, port, err := net.SplitHostPort(o.network)
	require.NoError(t, err)
	own, err := os.Hostname()
	require.NoError(t, err)
	p := o.browser()
	for _, path := range []string{"/", "/clinic", "/owner", "/owner/csv/use", "/phones", "/live", "/enter/00"} {
		status, page := p.get(path)
		require.Equal(t, http.StatusForbidden, status, path)
		for _, secret := range []string{"Alder", "Low", code} {
			require.NotContains(t, page, secret, path)
		}
	}
	for name, c := range map[string]struct {
		change func(*http.Request)
		want   int
	}{
		"a name that was made point here": {func(r *http.Request) { r.Host = "evil.example:" + port }, http.StatusMisdirectedRequest},
		"a name that ends in ours":        {func(r *http.Request) { r.Host = "evil-" + own + ":" + port }, http.StatusMisdirectedRequest},
		"a name that begins with ours":    {func(r *http.Request) { r.Host = own + ".evil.example:" + port }, http.StatusMisdirectedRequest},
		"our name, another port":          {func(r *http.Request) { r.Host = own + ":1" }, http.StatusMisdirectedRequest},
		"every machine's name":            {func(r *http.Request) { r.Host = "localhost:" + port }, http.StatusMisdirectedRequest},
		"another address":                 {func(r *http.Request) { r.Host = "192.0.2.7:" + port }, http.StatusMisdirectedRequest},
		"a form on another site":          {func(r *http.Request) { r.Header.Set("Origin", "https://evil.example") }, http.StatusForbidden},
		"a form in clear text":            {func(r *http.Request) { r.Header.Set("Origin", "http://"+o.network) }, http.StatusForbidden},
		"a form without origin":           {func(r *http.Request) { r.Header.Del("Origin") }, http.StatusForbidden},
		"a browser that says so":          {func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") }, http.StatusForbidden},
	} {
		other := o.browser()
		status, _, head := other.ask(http.MethodPost, "/pair", url.Values{"code": {code}}, c.change)
		other.CloseIdleConnections()
		require.Equal(t, c.want, status, name)
		require.Empty(t, head.Get("Set-Cookie"), name)
	}
	for _, name := range []string{own, strings.ToUpper(own), strings.TrimSuffix(own, ".local") + ".local"} {
		status, _, _ := p.ask(http.MethodGet, "/pair", nil, func(r *http.Request) { r.Host = name + ":" + port })
		require.Equal(t, http.StatusOK, status, "%s is this machine's name", name)
	}

	answer := inClear(t, o.network, "/clinic")
	require.Contains(t, answer, "400 Bad Request")
	require.NotContains(t, answer, "Alder")
	_, err = tls.Dial("tcp", o.network, &tls.Config{InsecureSkipVerify: true, MaxVersion: tls.VersionTLS12})
	require.ErrorContains(t, err, "protocol version")

	// The two doors do not take each other's sessions.
	desk := o.here(o.pages[0])
	home, err := url.Parse(o.pages[0])
	require.NoError(t, err)
	for _, cookie := range desk.Jar.Cookies(home) {
		for _, name := range []string{cookie.Name, "__Host-" + cookie.Name} {
			status, _, _ := p.ask(http.MethodGet, "/clinic", nil, func(r *http.Request) { r.AddCookie(&http.Cookie{Name: name, Value: cookie.Value}) })
			require.Equal(t, http.StatusForbidden, status, "the server's own session came over the network")
		}
	}
}

// inClear asks for a page without TLS.
func inClear(t *testing.T, at, path string) string {
	t.Helper()
	raw, err := net.Dial("tcp", at)
	require.NoError(t, err)
	defer raw.Close()
	_, err = raw.Write([]byte("GET " + path + " HTTP/1.1\r\nHost: " + at + "\r\nConnection: close\r\n\r\n"))
	require.NoError(t, err)
	answer, err := io.ReadAll(raw)
	require.NoError(t, err)
	return string(answer)
}

// here is a browser of the machine itself that followed a one-time address.
func (c *clinic) here(address string) *http.Client {
	c.t.Helper()
	jar, err := cookiejar.New(nil)
	require.NoError(c.t, err)
	desk := &http.Client{Jar: jar, Transport: &http.Transport{}}
	c.t.Cleanup(desk.CloseIdleConnections)
	answer, err := desk.Get(address)
	require.NoError(c.t, err)
	require.NoError(c.t, answer.Body.Close())
	return desk
}

// TestAFreshAddressAtAnyTime lets a browser in that lost its session: each address once,
// for ten minutes, on the machine itself.
func TestAFreshAddressAtAnyTime(t *testing.T) {
	t.Parallel()
	o := newOffice(t)
	clinicPage := func(b *http.Client, address string) int {
		u, err := url.Parse(address)
		require.NoError(t, err)
		answer, err := b.Get("http://" + u.Host + "/clinic")
		require.NoError(t, err)
		require.NoError(t, answer.Body.Close())
		return answer.StatusCode
	}
	fresh := func() string {
		t.Helper()
		out, err := o.ways.OpenPages(t.Context(), &pb.OpenPagesRequest{})
		require.NoError(t, err)
		require.Len(t, out.Pages, 2)
		require.Equal(t, []string{"clinic", "owner"}, []string{out.Pages[0].Part, out.Pages[1].Part})
		require.NotEmpty(t, out.ExpiresAt)
		return out.Pages[0].Url
	}
	address := fresh()
	require.Equal(t, http.StatusOK, clinicPage(o.here(address), address))
	require.Equal(t, http.StatusForbidden, clinicPage(o.here(address), address), "once")
	address = fresh()
	o.clock.Advance(10 * time.Minute)
	require.Equal(t, http.StatusForbidden, clinicPage(o.here(address), address), "not later")
	address = fresh()
	o.clock.Advance(-time.Hour)
	require.Equal(t, http.StatusForbidden, clinicPage(o.here(address), address), "not after the clock was set back")
	require.Equal(t, http.StatusOK, clinicPage(o.here(o.pages[0]), address), "that of the start waits until it is used")

	// Without pages it says how to get them.
	o.stop()
	silent := newClinic(t)
	_, err := pb.NewPageServiceClient(silent.conn).OpenPages(t.Context(), &pb.OpenPagesRequest{})
	require.Equal(t, codes.FailedPrecondition, status.Code(err))
	require.ErrorContains(t, err, "--pages")
	_, err = pb.NewPhoneServiceClient(silent.conn).PairPhone(t.Context(), &pb.PairPhoneRequest{Person: "M. Alder"})
	require.Equal(t, codes.FailedPrecondition, status.Code(err))
	require.ErrorContains(t, err, "--pages 0.0.0.0:4280")
}

// TestOnePortForBoth serves this machine's browser in clear, and nobody else so.
func TestOnePortForBoth(t *testing.T) {
	t.Parallel()
	o := newOffice(t)
	o.stop()
	o.open(server.Config{Pages: "0.0.0.0:0"})
	_, port, err := net.SplitHostPort(o.network)
	require.NoError(t, err)
	own, err := url.Parse(o.pages[0])
	require.NoError(t, err)
	require.Equal(t, "127.0.0.1:"+port, own.Host)
	desk := o.here(o.pages[0])
	answer, err := desk.Get("http://" + own.Host + "/clinic")
	require.NoError(t, err)
	require.NoError(t, answer.Body.Close())
	require.Equal(t, http.StatusOK, answer.StatusCode)
	list, err := o.desk.ListPhones(t.Context(), &pb.ListPhonesRequest{})
	require.NoError(t, err)
	for _, a := range list.Addresses {
		if u, err := url.Parse(a.Url); err == nil && net.ParseIP(u.Hostname()) != nil {
			require.Contains(t, inClear(t, u.Host, "/clinic"), "400 Bad Request", "clear text on the network's address")
		}
	}
}

// TestTheFirstHour begins a practice on its pages alone: the list ticks what the books
// tell, the forms let a laptop in and save the records, and an owner folds it away.
func TestTheFirstHour(t *testing.T) {
	t.Parallel()
	o := newOffice(t)
	owner, low := o.paired("M. Alder"), o.paired("R. Low")
	left := func() int {
		t.Helper()
		status, page := owner.get("/clinic/begin")
		require.Equal(t, http.StatusOK, status)
		return strings.Count(page, "<ol class") * (8 - strings.Count(page, `<li class="done"`))
	}
	require.Equal(t, 8, left())
	_, page := owner.get("/clinic")
	require.Contains(t, page, "The first hour: 8 still to do")
	for path, fields := range map[string]url.Values{
		"/write/place_added":  {"name": {"clinic freezer"}, "kind": {"freezer"}},
		"/write/product_card": {"name": {"Foal plasma"}, "maker": {"Wattle Biologics"}, "support_telephone": {"1800 000 000"}, "route": {"vein"}, "volume_ml": {"950"}},
		"/write/protocol_set": {"name": {"newborn foal"}},
	} {
		status, body := owner.send(path, fields)
		require.Equal(t, http.StatusSeeOther, status, body)
	}
	require.Equal(t, 5, left())

	// A laptop is let in by a code that the page made.
	status1, page := low.send("/owner/invite", url.Values{"person": {"J. Reed"}})
	require.Equal(t, http.StatusUnprocessableEntity, status1)
	require.Contains(t, page, "R. Low may not do this: it needs the role owner")
	require.NotContains(t, page, "agent enrol")
	status1, page = owner.send("/owner/invite", url.Values{"person": {"N. Ewcomer"}})
	require.Equal(t, http.StatusUnprocessableEntity, status1, "a new person needs a role")
	require.NotContains(t, page, "agent enrol")
	status1, page = owner.send("/owner/invite", url.Values{"person": {"J. Reed"}})
	require.Equal(t, http.StatusOK, status1)
	code := regexp.MustCompile(`thawtrail agent enrol (\S+) --server`).FindStringSubmatch(page)
	require.Len(t, code, 2, page)
	parsed, err := invite.ParseCode(code[1])
	require.NoError(t, err)
	north := newLaptop(t, "north")
	north.server = o.addr
	_, err = agent.Enrol(t.Context(), north.config(), parsed)
	require.NoError(t, err)
	require.Equal(t, 4, left())

	// All records are saved as a file that a server can be put back from.
	_, page = owner.get("/owner")
	require.Contains(t, page, "never saved from here")
	_, page = owner.get("/backup")
	typed := regexp.MustCompile(`class="big typed">([^<]+)<`).FindStringSubmatch(page)
	file := regexp.MustCompile(`href="(/backup/[^"]+)"`).FindStringSubmatch(page)
	require.Len(t, typed, 2)
	require.Len(t, file, 2)
	status2, raw, head := owner.ask(http.MethodGet, file[1], nil, nil)
	require.Equal(t, http.StatusOK, status2)
	require.Contains(t, head.Get("Content-Disposition"), ".books")
	restored, err := server.Restore(t.Context(), o.restoreConfig([]byte(raw), typed[1]))
	require.NoError(t, err)
	require.Equal(t, "Alder Creek Equine", restored.Practice)
	require.Len(t, restored.Laptops, 1)
	_, page = owner.get("/owner")
	require.NotContains(t, page, "never saved from here")
	require.Equal(t, 3, left())

	// What no record tells is ticked by hand; only an owner folds the list away.
	status3, _ := owner.send("/clinic/begin", url.Values{"step": {"stickers"}})
	require.Equal(t, http.StatusSeeOther, status3)
	require.Equal(t, 2, left())
	status3, _ = owner.send("/clinic/begin", url.Values{"step": {"nonsense"}})
	require.Equal(t, http.StatusNotFound, status3)
	status3, _ = low.send("/clinic/begin", url.Values{"step": {"folded"}})
	require.Equal(t, http.StatusForbidden, status3)
	_, page = low.get("/clinic")
	require.Contains(t, page, "The first hour: 2 still to do")
	status3, _ = owner.send("/clinic/begin", url.Values{"step": {"folded"}})
	require.Equal(t, http.StatusSeeOther, status3)
	_, page = owner.get("/clinic")
	require.NotContains(t, page, "The first hour")
}

// TestOnlyAnOwnerTakesAllRecordsAway: a browser of the clinic's network sees stock and
// cases, and takes no file with every client along; an owner's does.
func TestOnlyAnOwnerTakesAllRecordsAway(t *testing.T) {
	t.Parallel()
	o := newOffice(t)
	clinic, owner := o.paired("R. Low"), o.paired("M. Alder")
	for _, path := range []string{"/backup", "/backup/anything"} {
		status, body := clinic.get(path)
		require.Equal(t, http.StatusForbidden, status, path)
		require.Contains(t, body, "or by an owner", path)
	}
	status, body := owner.get("/backup")
	require.Equal(t, http.StatusOK, status)
	require.Contains(t, body, "Save the file")
}
