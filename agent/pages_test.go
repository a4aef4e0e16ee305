package agent_test

import (
	"context"
	"encoding/csv"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/agent"
	pb "thawtrail/proto/thawtrail/v1"
)

// browse gives a browser that has entered the pages of a running agent.
func browse(t *testing.T, entrance string) (b *http.Client, origin string) {
	t.Helper()
	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	b = &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	u, err := url.Parse(entrance)
	require.NoError(t, err)
	r, err := b.Get(entrance)
	require.NoError(t, err)
	require.NoError(t, r.Body.Close())
	return b, u.Scheme + "://" + u.Host
}

func page(t *testing.T, b *http.Client, address string) (code int, body string) {
	t.Helper()
	r, err := b.Get(address)
	require.NoError(t, err)
	defer r.Body.Close()
	raw, err := io.ReadAll(r.Body)
	require.NoError(t, err)
	return r.StatusCode, string(raw)
}

// TestTheLocalPageAnswersItsOwnAlone: another site in the same browser asks a real
// agent's page under its own name (rebinding), posts to it across sites, and reads
// it without a session.
func TestTheLocalPageAnswersItsOwnAlone(t *testing.T) {
	l := newLaptop(t, "north")
	entrance := make(chan string, 1)
	addr, _ := run(t, func(ctx context.Context, ready func(string)) error {
		cfg := l.config()
		cfg.Pages, cfg.Ready, cfg.PagesReady = "127.0.0.1:0", ready, func(u string) { entrance <- u }
		return agent.Run(ctx, cfg)
	})
	require.NotEmpty(t, addr)
	b, origin := browse(t, <-entrance)
	code, body := page(t, b, origin+"/barn")
	require.Equal(t, http.StatusOK, code, body)
	_, form := page(t, b, origin+"/write/place_added")
	token := regexp.MustCompile(`name="token" value="([^"]+)"`).FindStringSubmatch(form)
	require.NotNil(t, token)
	answer := url.Values{"token": {token[1]}, "name": {"evil"}, "kind": {"shelf"}}
	ask := func(method string, change func(*http.Request)) int {
		req, err := http.NewRequestWithContext(t.Context(), method, origin+"/barn", nil)
		require.NoError(t, err)
		if method == http.MethodPost {
			req.URL.Path = "/write/place_added"
			req.Body = io.NopCloser(strings.NewReader(answer.Encode()))
			req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			req.Header.Set("Origin", origin)
		}
		change(req)
		r, err := b.Do(req)
		require.NoError(t, err)
		require.NoError(t, r.Body.Close())
		return r.StatusCode
	}
	for _, method := range []string{http.MethodGet, http.MethodPost} {
		require.Equal(t, http.StatusMisdirectedRequest, ask(method, func(r *http.Request) { r.Host = "evil.example" }), method)
		require.Equal(t, http.StatusMisdirectedRequest, ask(method, func(r *http.Request) { r.Host = "evil.example:" + r.URL.Port() }), method)
	}
	require.Equal(t, http.StatusForbidden, ask(http.MethodPost, func(r *http.Request) { r.Header.Set("Origin", "http://evil.example") }))
	require.Equal(t, http.StatusForbidden, ask(http.MethodPost, func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") }))
	answer.Set("token", "00")
	require.Equal(t, http.StatusForbidden, ask(http.MethodPost, func(*http.Request) {}), "our own origin without the session's token")
	code, body = page(t, &http.Client{}, origin+"/barn")
	require.NotEqual(t, http.StatusOK, code, "no session")
	require.NotContains(t, body, "Open cases")
	places, err := pb.NewStockServiceClient(dial(t, l.dir)).ListPlaces(t.Context(), &pb.ListPlacesRequest{})
	require.NoError(t, err)
	require.Empty(t, places.Places)
	answer.Set("token", token[1])
	require.NotEqual(t, http.StatusForbidden, ask(http.MethodPost, func(*http.Request) {}), "the page's own form is taken")
}

// TestNamesAreTextOnARealPage: foals, clients and places with names that are HTML
// or formulas, on the pages and in the files of a real agent.
func TestNamesAreTextOnARealPage(t *testing.T) {
	l := newLaptop(t, "north")
	entrance := make(chan string, 1)
	run(t, func(ctx context.Context, ready func(string)) error {
		cfg := l.config()
		cfg.Pages, cfg.Ready, cfg.PagesReady = "127.0.0.1:0", ready, func(u string) { entrance <- u }
		return agent.Run(ctx, cfg)
	})
	b, origin := browse(t, <-entrance)
	record := pb.NewRecordServiceClient(dial(t, l.dir))
	const html = `<script>alert(1)</script>"'><img src=x onerror=alert(2)>`
	author := `=HYPERLINK("http://x")` + html // the first of them, once it is known
	_, err := record.Write(t.Context(), &pb.WriteRequest{Entry: &pb.Entry{Body: &pb.Entry_PersonAdded{PersonAdded: &pb.PersonAdded{Name: author}}}})
	require.NoError(t, err)
	for _, begin := range []string{"=HYPERLINK(\"http://x\")", "+1+cmd|' /C calc'!A0", "-2+3", "@SUM(1)"} {
		for _, e := range []*pb.Entry{
			place(begin + html).Entry,
			{Body: &pb.Entry_PersonAdded{PersonAdded: &pb.PersonAdded{Name: begin + "2" + html}}},
			{Body: &pb.Entry_ClientAdded{ClientAdded: &pb.ClientAdded{Name: &pb.Sealed{Plain: begin + html}}}},
			{Body: &pb.Entry_CaseOpened{CaseOpened: &pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: begin + html,
				Sex: pb.Sex_SEX_FILLY, Colour: begin, Markings: html, Yard: begin, ClockChecked: true}}},
		} {
			_, err := record.Write(t.Context(), &pb.WriteRequest{Author: author, Entry: e})
			require.NoError(t, err)
		}
	}
	met := 0
	for _, at := range []string{"/barn", "/cases", "/clinic", "/clinic/stock", "/clinic/load", "/open", "/owner", "/owner/people", "/owner/doubts", "/owner/late"} {
		code, body := page(t, b, origin+at)
		require.Equal(t, http.StatusOK, code, at)
		require.NotContains(t, body, "<script>alert", at)
		require.NotContains(t, body, "<img src=x", at)
		met += strings.Count(body, "&lt;script&gt;alert")
	}
	require.Positive(t, met, "the names are on the pages, as text")
	met = 0
	for _, table := range []string{"use", "use-place", "use-product", "use-person", "bags", "cases", "discrepancies", "late", "overrides"} {
		code, body := page(t, b, origin+"/owner/csv/"+table)
		require.Equal(t, http.StatusOK, code, table)
		rows, err := csv.NewReader(strings.NewReader(body)).ReadAll()
		require.NoError(t, err, table)
		for _, row := range rows {
			for _, cell := range row {
				require.NotRegexp(t, `^[=+@\t\r]|^-[^0-9]|^-.*[^0-9.]`, cell, table)
				if strings.HasPrefix(cell, "'") {
					met++
				}
			}
		}
	}
	require.Positive(t, met, "the formulas are in the files, as text")
}
