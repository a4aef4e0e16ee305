//go:build linux

package agent_test

import (
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store/pg/pgtest"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

// many is a set of processes that serve practices of one database, with their laptops.
type many struct {
	t         *testing.T
	url       string
	addresses []string
	folders   []string
	processes []*process
	practices []string
	laptops   map[string][]*laptop // by practice
	saved     map[*laptop][]string
	figures   testrun.Figures
}

// TestTortureProcesses kills processes that serve practices of one database, one in each
// round, while their laptops write, and once the database, whose standby takes its place.
// In a long run there are 200 practices with 5 laptops each.
func TestTortureProcesses(t *testing.T) {
	cluster := pgtest.Begin(t)
	standby := cluster.Standby(t)
	m := &many{t: t, url: cluster.With(standby), laptops: map[string][]*laptop{}, saved: map[*laptop][]string{}}
	m.figures = testrun.Figures{Kind: "processes killed", Rounds: testrun.Rounds(1, 2, 20)}
	m.begin(testrun.Rounds(2, 2, 200), testrun.Rounds(1, 2, 5))
	seed := testrun.Seed()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 2))
	var longest time.Duration
	for round := range m.figures.Rounds {
		m.write()
		victim := random.IntN(len(m.processes))
		m.processes[victim].kill()
		began := time.Now()
		if round == m.figures.Rounds/2 {
			cluster.Kill()
			standby.Promote(t)
		}
		m.write()
		m.held()
		longest = max(longest, time.Since(began))
		m.serve(victim)
	}
	m.figures.Met = fmt.Sprintf("all held again after %v at the most, by %d practices with %d laptops", longest.Round(time.Millisecond), len(m.practices), len(m.saved))
	m.tell()
}

func (m *many) begin(practices, laptops int) {
	m.t.Helper()
	d := database(m.t, m.url)
	for i := range practices {
		m.practices = append(m.practices, fmt.Sprintf("practice-%03d", i))
		beginIn(m.t, d, m.practices[i])
	}
	for i := range 3 {
		m.addresses, m.folders = append(m.addresses, fromBehind(m.t, i+1)), append(m.folders, m.t.TempDir())
		m.processes = append(m.processes, nil)
		m.serve(i)
	}
	for i, name := range m.practices {
		c := m.door(i%3, name) // takes the practice for that process
		for k := range laptops {
			l := newLaptop(m.t, fmt.Sprintf("%s %d", name, k))
			l.server = m.addresses[(i+k)%3] + "," + m.addresses[(i+k+1)%3] + "," + m.addresses[(i+k+2)%3]
			c.enrol(l, fmt.Sprintf("Vet %d", k), pb.Role_ROLE_CLINIC)
			m.laptops[name] = append(m.laptops[name], l)
			m.saved[l] = nil
		}
	}
}

func (m *many) serve(i int) {
	m.t.Helper()
	m.processes[i] = serve(m.t, "many", m.url, m.folders[i], m.addresses[i])
}

// door is the door of a practice in a process.
func (m *many) door(i int, name string) *clinic {
	m.t.Helper()
	c := &clinic{t: m.t, dir: filepath.Join(m.folders[i], name), addr: m.addresses[i], log: &said{}}
	c.conn = dial(m.t, c.dir)
	c.hub = pb.NewHubServiceClient(c.conn)
	return c
}

// write has every laptop write: none is ever blocked.
func (m *many) write() {
	m.t.Helper()
	for _, name := range m.practices {
		for _, l := range m.laptops[name] {
			answer, err := l.record.Write(m.t.Context(), place(fmt.Sprintf("%s shelf %d", l.name, len(m.saved[l]))))
			require.NoError(m.t, err)
			m.saved[l] = append(m.saved[l], answer.Record)
		}
	}
}

// held waits until every laptop has heard that all it wrote is held.
func (m *many) held() {
	m.t.Helper()
	for l, records := range m.saved {
		require.Eventually(m.t, func() bool {
			return l.saved(records[len(records)-1]) == pb.SavedState_SAVED_STATE_HELD_ON_SERVER
		}, 10*time.Minute, 20*time.Millisecond, l.name)
	}
}

// tell looks for every entry on its server and its laptops, which all know the same, and
// hold nothing against one another.
func (m *many) tell() {
	m.t.Helper()
	d := database(m.t, m.url)
	for _, name := range m.practices {
		address, open, err := d.Holder(m.t.Context(), name)
		require.NoError(m.t, err)
		require.True(m.t, open, "%s has links", name)
		c := m.door(slices.Index(m.addresses, address), name)
		var written []string
		for _, l := range m.laptops[name] {
			c.same(l)
			written = append(written, m.saved[l]...)
		}
		sides := []*laptop{{name: "server", conn: c.conn, audit: pb.NewAuditServiceClient(c.conn)}}
		for _, side := range append(sides, m.laptops[name]...) {
			status, err := side.audit.GetStatus(m.t.Context(), &pb.GetStatusRequest{})
			require.NoError(m.t, err)
			if len(status.Repairs)+len(status.Differences) > 0 {
				m.figures.Stranded++
				m.t.Errorf("%s, %s: %v %v", name, side.name, status.Repairs, status.Differences)
			}
			for _, record := range written {
				if _, err := side.audit.GetRecord(m.t.Context(), &pb.GetRecordRequest{Record: record}); err != nil {
					m.figures.Lost++
				}
			}
		}
		m.figures.Acknowledged += len(written)
	}
	m.figures.Tell(m.t)
}
