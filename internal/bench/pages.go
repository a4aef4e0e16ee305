package bench

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"strings"
	"time"

	"thawtrail/agent"
	"thawtrail/internal/bench/nights"
	pb "thawtrail/proto/thawtrail/v1"
	"thawtrail/server"
)

const (
	pagesText   = "none; target 100 ms until the page is whole, over loopback, from 100,000 records; first_kb is the page with its style sheet and script, target 100 KB"
	livePages   = "none; from 'saved' until the live stream of an open page tells it; with renewed until the page was fetched again; target 200 ms"
	pageLooks   = 9
	pageRecords = 100_000
)

// mainPages are the pages that people open most, by what serves them.
func mainPages(k nights.Known) (laptop, hub [][2]string) {
	trace := "/clinic/batch?" + url.Values{"product": {"Foal plasma"}, "batch": {k.Batch}}.Encode()
	laptop = [][2]string{
		{"now", "/barn"}, {"cases", "/cases"}, {"open_case", "/open"}, {"dose", "/case/" + k.Case + "/dose"}, {"sheet", "/case/" + k.Case + "/sheet"},
		{"vitals_chart", "/case/" + k.Case + "/vitals.svg"},
	}
	hub = [][2]string{
		{"clinic", "/clinic"}, {"stock", "/clinic/stock"}, {"stock_all", "/clinic/stock?all=1"}, {"load", "/clinic/load?place=" + k.Place},
		{"count", "/clinic/count?place=" + k.Place}, {"batches", "/clinic/batches"}, {"batches_held", "/clinic/batches?held=1"}, {"trace", trace},
		{"hold", "/clinic/hold"}, {"owner", "/owner"}, {"owner_vet", "/owner?by=person"}, {"doubts", "/owner/doubts"}, {"late", "/owner/late"},
		{"people", "/owner/people"}, {"use_file", "/owner/csv/use"},
	}
	return laptop, hub
}

// pageNames are the results of pagesMeasure, after its own name.
func pageNames() []string {
	names := []string{"pages"}
	laptop, hub := mainPages(nights.Known{})
	for _, p := range append(laptop, hub...) {
		names = append(names, "page_"+p[0])
	}
	return append(names, "page_live")
}

// pagesMeasure opens every main page on a laptop and on a server that hold a
// hundred thousand records, and times the way of a record to an open page.
func pagesMeasure(ctx context.Context, l *lab) ([]Result, error) {
	lap, err := l.laptop(ctx, l.size(pageRecords))
	if err != nil {
		return nil, err
	}
	hub, err := l.hub(ctx, l.size(pageRecords))
	if err != nil {
		return nil, err
	}
	barn, office := mainPages(lap.known)
	out, err := l.opened(ctx, lap, barn, func(ctx context.Context, dir string, ready, pages func(string)) error {
		return agent.Run(ctx, agent.Config{Data: dir, Secret: secret(), Listen: "127.0.0.1:0", Pages: "127.0.0.1:0", Name: "laptop", Ready: ready, PagesReady: pages})
	})
	if err != nil {
		return nil, err
	}
	more, err := l.opened(ctx, hub, office, func(ctx context.Context, dir string, ready, pages func(string)) error {
		return server.Run(ctx, server.Config{Data: dir, Secret: secret(), Listen: "127.0.0.1:0", Pages: "127.0.0.1:0", Name: "clinic", Ready: ready, PagesReady: pages})
	})
	return append(out, more...), err
}

// opened times the pages of one replica, and on a laptop the live page too.
func (l *lab) opened(ctx context.Context, f *filled, pages [][2]string, run func(ctx context.Context, dir string, ready, pages func(string)) error) (out []Result, err error) {
	dir, err := l.copied(f)
	if err != nil {
		return nil, err
	}
	entrances := make(chan string, 4) // one for each part that a replica serves
	r, err := start(ctx, dir, func(ctx context.Context, ready func(string)) error {
		return run(ctx, dir, ready, func(url string) { entrances <- url })
	})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, r.stop()) }()
	b, err := signIn(ctx, <-entrances)
	if err != nil {
		return nil, err
	}
	assets := 0
	for _, file := range []string{"/assets/page.css", "/assets/page.js", "/assets/press.js"} {
		n, err := b.read(ctx, file)
		if err != nil {
			return nil, err
		}
		assets += n
	}
	for _, p := range pages {
		one, err := b.timed(ctx, p, f.records, assets)
		if err != nil {
			return nil, err
		}
		out = append(out, one)
	}
	if pages[0][1] != "/barn" {
		return out, nil
	}
	live, err := b.live(ctx, r, f, l.size(30))
	return append(out, live), err
}

// browser is signed in to the pages of a replica.
type browser struct {
	client *http.Client
	base   string
}

func signIn(ctx context.Context, entrance string) (*browser, error) {
	u, err := url.Parse(entrance)
	if err != nil {
		return nil, err
	}
	jar, err := cookiejar.New(nil)
	if err != nil {
		return nil, err
	}
	b := &browser{client: &http.Client{Jar: jar}, base: u.Scheme + "://" + u.Host}
	_, err = b.read(ctx, u.RequestURI())
	return b, err
}

// ask sends a request for a page.
func (b *browser) ask(ctx context.Context, page string) (*http.Response, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, b.base+page, nil)
	if err != nil {
		return nil, err
	}
	r, err := b.client.Do(req)
	if err == nil && r.StatusCode != http.StatusOK {
		err = errors.Join(fmt.Errorf("page %s answered %s", page, r.Status), r.Body.Close())
	}
	return r, err
}

// read reads a page to its end and counts its bytes.
func (b *browser) read(ctx context.Context, page string) (int, error) {
	r, err := b.ask(ctx, page)
	if err != nil {
		return 0, err
	}
	n, err := io.Copy(io.Discard, r.Body)
	return int(n), errors.Join(err, r.Body.Close())
}

func (b *browser) timed(ctx context.Context, page [2]string, records int64, assets int) (Result, error) {
	var times []time.Duration
	size := 0
	for range pageLooks {
		watch := stopwatch()
		n, err := b.read(ctx, page[1])
		if err != nil {
			return Result{}, err
		}
		times, size = append(times, watch()), n
	}
	r := against("page_"+page[0], records, median(times), 0, pagesText)
	r.More["p50_ms"], r.More["most_ms"], r.More["kb"] = ms(median(times)), ms(percentile(times, 100)), kb(size)
	if !strings.Contains(page[1], ".svg") && !strings.Contains(page[1], "/csv/") {
		r.More["first_kb"] = kb(size + assets)
	}
	return r, nil
}

func kb(bytes int) float64 { return float64(bytes) / 1024 }

// live writes readings while the barn page is open, and times each until the
// page's stream told of it and the page was fetched again.
func (b *browser) live(ctx context.Context, r *runningReplica, f *filled, n int64) (res Result, err error) {
	stream, err := b.ask(ctx, "/live")
	if err != nil {
		return res, err
	}
	defer func() { err = errors.Join(err, stream.Body.Close()) }()
	lines := bufio.NewScanner(stream.Body)
	if err := awaitEvent(lines, "hello"); err != nil {
		return res, err
	}
	var told, renewed []time.Duration
	for range n {
		_, err := pb.NewRecordServiceClient(r.conn).Write(ctx, &pb.WriteRequest{Author: vetName, Entry: &pb.Entry{Body: &pb.Entry_TemperatureRead{
			TemperatureRead: &pb.TemperatureRead{Place: f.known.Place, NowDc: -210}}}})
		if err != nil {
			return res, err
		}
		watch := stopwatch()
		if err := awaitEvent(lines, "wake"); err != nil {
			return res, err
		}
		told = append(told, watch())
		if _, err := b.read(ctx, "/barn"); err != nil {
			return res, err
		}
		renewed = append(renewed, watch())
	}
	res = against("page_live", n, percentile(renewed, 99), 0, livePages)
	res.More["told_p50_ms"], res.More["told_p99_ms"] = ms(median(told)), ms(percentile(told, 99))
	res.More["renewed_p50_ms"], res.More["renewed_p99_ms"] = ms(median(renewed)), ms(percentile(renewed, 99))
	return res, nil
}

// awaitEvent reads a stream of events up to one of a name.
func awaitEvent(lines *bufio.Scanner, name string) error {
	for lines.Scan() {
		if lines.Text() == "event: "+name {
			return nil
		}
	}
	return errors.Join(errors.New("the live stream ended"), lines.Err())
}
