package web

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"os"
	"strings"

	"thawtrail/internal/clock"
	"thawtrail/internal/replica"
	"thawtrail/internal/replica/replicatest"
	"thawtrail/internal/store"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal/memfs"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
)

// A laptop with nothing in its books yet serves its pages; a browser comes in by the
// one-time address that Serve tells.
func Example() {
	must := func(err error) {
		if err != nil {
			panic(err)
		}
	}
	s, err := store.Open(context.Background(), store.Options{
		Dir: "replica", FS: memfs.New(), Index: index.NewMemory(), Clock: clock.System{}, Random: rand.Reader,
		Device: ed25519.NewKeyFromSeed(bytes.Repeat([]byte{7}, 32)), DeviceName: "north laptop", Version: "example",
	})
	must(err)
	defer s.Close()
	dir, err := os.MkdirTemp("", "")
	must(err)
	defer os.RemoveAll(dir)
	keys, err := trust.OpenKeys(&vault.Vault{}, wholefile.Folder(dir), rand.Reader)
	must(err)
	replica := &replica.Replica{Store: s, Clock: clock.System{}, Random: rand.Reader, Seals: keys, Link: replicatest.Alone{}, Name: "north laptop"}

	ctx, stop := context.WithCancel(context.Background())
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(err)
	addresses, ended := make(chan string, 1), make(chan error, 1)
	pages, err := New(Config{Replica: replica, Clock: clock.System{}})
	must(err)
	go func() { ended <- pages.Serve(ctx, l, func(url string) { addresses <- url }) }()
	jar, err := cookiejar.New(nil)
	must(err)
	browser := http.Client{Jar: jar}
	address := <-addresses
	in, err := browser.Get(address)
	must(err)
	must(in.Body.Close())
	page, err := browser.Get(address[:strings.Index(address, "/enter")] + "/barn")
	must(err)
	text, err := io.ReadAll(page.Body)
	must(err)
	must(page.Body.Close())
	fmt.Println(page.StatusCode, strings.Contains(string(text), "<title>Now</title>"))
	stop()
	fmt.Println(<-ended)
	// Output:
	// 200 true
	// <nil>
}
