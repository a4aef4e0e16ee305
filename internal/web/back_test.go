//go:build browser

package web

import (
	"context"
	"net"
	"net/url"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/web/webtest"
)

// serve runs the pages of a laptop at an address of their own until they are
// stopped, and gives a one-time address.
func (d *laptop) serve(addr string) (entrance string, stop func()) {
	d.t.Helper()
	site, err := New(d.site.Config)
	require.NoError(d.t, err)
	ctx, cancel := context.WithCancel(context.Background())
	ready, ended := make(chan string, 1), make(chan error, 1)
	l, err := net.Listen("tcp", addr)
	require.NoError(d.t, err)
	go func() { ended <- site.Serve(ctx, l, func(u string) { ready <- u }) }()
	stop = func() {
		cancel()
		require.NoError(d.t, <-ended)
	}
	select {
	case entrance = <-ready:
	case err := <-ended:
		require.NoError(d.t, err)
	}
	return entrance, stop
}

// TestAPageComesBack stops the program for a while under an open page.
func TestAPageComesBack(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	entrance, stop := d.serve("127.0.0.1:0")
	u, err := url.Parse(entrance)
	require.NoError(t, err)
	tab := webtest.NewTab(t, webtest.Chromium(t, time.Minute))
	tab.Open(entrance)
	tab.Open("http://" + u.Host + "/case/" + id + "/run")
	tab.Sees("#run", "Rate set")
	tab.Misses("#gone", "lost")
	tab.Type("heart_rate", "101")
	stop()
	tab.Sees("#gone", "does not answer")
	_, stop = d.serve(u.Host)
	defer stop()
	tab.Misses("#gone", "does not answer")

	// What was saved meanwhile shows, and what was being typed is still there.
	d.fill("/case/"+id+"/look", "text", "quiet")
	d.fill("/case/"+id+"/run", "heart_rate", "99", "given_ml", "8")
	tab.Sees("#vitals-so-far", "99")
	require.Equal(t, "101", webtest.Ask[string](tab, `document.querySelector("#vitals_noted-heart_rate").value`))
}
