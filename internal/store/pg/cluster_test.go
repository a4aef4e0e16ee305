//go:build linux

package pg

import (
	"fmt"
	"os"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store/pg/pgtest"
)

// shared is one cluster for the tests that leave it running.
var shared struct {
	sync.Mutex
	*pgtest.Cluster
	count int
}

// place is an empty practice of a process.
type place struct {
	Options
	practice string
}

// newPlace is an empty practice in the shared cluster. Its leases run out at once, so that
// whoever comes takes it.
func newPlace(t testing.TB) place {
	t.Helper()
	shared.Lock()
	defer shared.Unlock()
	if shared.Cluster == nil {
		shared.Cluster = pgtest.Begin(outlasts{t})
	}
	shared.count++
	return place{Options{URL: shared.URL(), Patience: 20 * time.Second, Lease: time.Microsecond}, fmt.Sprintf("practice %d", shared.count)}
}

// database opens the place's database as a process of its own does. Leases are not renewed.
func (p place) database(t testing.TB) *Database {
	t.Helper()
	opt := p.Options
	opt.Lease = time.Hour
	d, err := Open(t.Context(), opt)
	require.NoError(t, err)
	t.Cleanup(d.Close)
	d.opt.Lease = p.Lease
	return d
}

func (p place) lease(t testing.TB) *Lease {
	t.Helper()
	l, err := p.database(t).Begin(t.Context(), p.practice, "")
	require.NoError(t, err)
	return l
}

// outlasts keeps what is cleaned up until every test has ended.
type outlasts struct{ testing.TB }

var last []func()

func (outlasts) Cleanup(fn func()) { last = append(last, fn) }

func TestMain(m *testing.M) {
	code := m.Run()
	for _, fn := range slices.Backward(last) {
		fn()
	}
	os.Exit(code)
}
