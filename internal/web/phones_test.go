package web

import (
	"context"
	"crypto/x509"
	"net"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/access"
	"thawtrail/internal/query"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/phones"
	"thawtrail/internal/web/site"
	pb "thawtrail/proto/thawtrail/v1"
)

// letPhonesIn gives the laptop a door for phones and says where it is. The browser
// signs in anew.
func (d *laptop) letPhonesIn() (at string, certificate *x509.Certificate) {
	d.t.Helper()
	made, err := authority.NewPhone()
	require.NoError(d.t, err)
	cfg, err := authority.ForPhones(made)
	require.NoError(d.t, err)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(d.t, err)
	book, err := phones.Open(nil, d.clock.Now, d.replica.Random, func([]byte) error { return nil })
	require.NoError(d.t, err)
	certificate, err = x509.ParseCertificate(cfg.Certificates[0].Certificate[0])
	require.NoError(d.t, err)
	paired := &access.Phones{Reader: query.Reader{Replica: d.replica}, Registry: book, Fingerprint: authority.BrowserFingerprint(certificate.Raw)}
	paired.Listen(l.Addr())
	d.site, err = New(site.Config{Replica: d.replica, Clock: d.clock, PhoneTLS: cfg, Phones: paired})
	require.NoError(d.t, err)
	d.server = httptest.NewServer(d.site)
	d.t.Cleanup(d.close)
	d.browser = d.newBrowser()
	ctx, stop := context.WithCancel(d.t.Context())
	ended := make(chan error, 1)
	go func() { ended <- d.site.ServePhones(ctx, l) }()
	d.t.Cleanup(func() {
		stop()
		require.NoError(d.t, <-ended)
	})
	return l.Addr().String(), certificate
}

// phoneCode makes a code for the owner.
func (d *laptop) phoneCode() string {
	d.t.Helper()
	made, err := d.site.Phones.PairPhone(d.t.Context(), &pb.PairPhoneRequest{Person: "M. Alder"})
	require.NoError(d.t, err)
	return made.Code.Code
}

// letIn pairs a phone of the owner.
func (d *laptop) letIn(name string) phones.Phone {
	d.t.Helper()
	p, _, err := d.site.Phones.Registry.Pair(d.phoneCode(), name)
	require.NoError(d.t, err)
	return p
}

var codeShown = regexp.MustCompile(`<p class="huge code">(\d{4}) (\d{4})</p>`)

// TestThePageOfPhones makes a code, shows it with its symbol, and shuts a phone out.
func TestThePageOfPhones(t *testing.T) {
	d := newLaptop(t)
	code, _ := d.ask("/phones")
	require.Equal(t, http.StatusNotFound, code, "without a book of phones there is no such page")
	require.NotContains(t, d.get("/barn"), `href="/phones"`)
	at, certificate := d.letPhonesIn()
	require.Contains(t, plainText(d.get("/phones")), "Nobody is in the books yet")
	d.begin()
	require.Contains(t, d.get("/barn"), `href="/phones"`)
	page := d.get("/phones")
	for _, line := range authority.BrowserFingerprint(certificate.Raw) {
		require.Contains(t, page, line)
	}
	require.Contains(t, plainText(page), "No phone is paired.")
	status, _, body := d.send("/phones", d.fields(page, "do", "pair", "person", ""))
	require.Equal(t, http.StatusUnprocessableEntity, status)
	require.Contains(t, plainText(body), "person")
	people, err := d.site.Audit.ListPeople(t.Context(), &pb.ListPeopleRequest{})
	require.NoError(t, err)
	d.fill("/phones?at=9", "do", "pair", "person", people.People[0].Person)
	page = d.get("/phones?at=9")
	shown := codeShown.FindStringSubmatch(page)
	require.Len(t, shown, 3, page)
	require.Contains(t, page, "https://"+at+"/pair/"+shown[1]+shown[2])
	path := regexp.MustCompile(`(?s)viewBox="0 0 (\d+) \d+".*?<path fill="#000" d="([^"]+)"`).FindStringSubmatch(page)
	require.Len(t, path, 3)
	size := strings.Count(path[2], "z")
	require.Positive(t, size)

	p, _, err := d.site.Phones.Registry.Pair(shown[1]+shown[2], `<b>"blue"</b>`)
	require.NoError(t, err)
	page = d.get("/phones")
	assert.Contains(t, page, `&lt;b&gt;&#34;blue&#34;&lt;/b&gt;, for M. Alder`)
	assert.NotRegexp(t, codeShown, page)
	d.fill("/phones", "do", "revoke", "phone", p.ID)
	assert.Contains(t, plainText(d.get("/phones")), "No phone is paired.")
	status, _, body = d.send("/phones", d.fields(page, "do", "revoke", "phone", p.ID))
	assert.Equal(t, http.StatusUnprocessableEntity, status)
	assert.Contains(t, plainText(body), "no such phone")
	code, _ = d.ask("/pair")
	assert.Equal(t, http.StatusNotFound, code, "the laptop's own door pairs nobody")
}
