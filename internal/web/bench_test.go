package web

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"testing"
)

// BenchmarkPages makes the pages that are asked for most often, without a
// network.
func BenchmarkPages(b *testing.B) {
	d := newLaptop(b)
	id, _ := d.toRunning()
	u, err := url.Parse(d.server.URL)
	if err != nil {
		b.Fatal(err)
	}
	for _, p := range []string{"/barn", "/case/" + id + "/run", "/case/" + id + "/sheet", "/clinic"} {
		name := p
		if len(name) > 12 {
			name = p[len(p)-5:]
		}
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				r := httptest.NewRequest(http.MethodGet, p, nil)
				r.Host = "127.0.0.1"
				for _, c := range d.browser.Jar.Cookies(u) {
					r.AddCookie(c)
				}
				w := httptest.NewRecorder()
				d.site.ServeHTTP(w, r)
				if w.Code != http.StatusOK {
					b.Fatal(w.Code)
				}
			}
		})
	}
}
