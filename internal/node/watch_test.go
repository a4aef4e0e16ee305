package node

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"net/http/httptest"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/replica"
	"thawtrail/internal/replication"
	"thawtrail/internal/replication/replicationtest"
	"thawtrail/internal/rpc"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
	pb "thawtrail/proto/thawtrail/v1"
)

// well is what the standard health says of something that is watched.
func (s *side) well(name string) bool {
	s.t.Helper()
	out, err := s.node.health.Check(s.t.Context(), &healthpb.HealthCheckRequest{Service: "thawtrail.watch." + name})
	require.NoError(s.t, err)
	return out.Status == healthpb.HealthCheckResponse_SERVING
}

// withinAMinute are the readings after which a minute is over, when what was looked at may
// be watchEvery old.
const withinAMinute = int((time.Minute - watchEvery) / scrapeEvery)

// fires reads until an alert fires, for a minute at most, and health says so too.
func (m *monitor) fires(alert, watched string) {
	m.t.Helper()
	for range withinAMinute {
		if slices.Contains(m.read(), alert) {
			require.False(m.t, m.side.well(watched), "health of %s", watched)
			return
		}
	}
	require.Failf(m.t, "no alert", "%s has not fired within a minute", alert)
}

// calm reads until an alert is over, and health says so too.
func (m *monitor) calm(alert, watched string) {
	m.t.Helper()
	for range withinAMinute {
		if !slices.Contains(m.read(), alert) {
			require.True(m.t, m.side.well(watched), "health of %s", watched)
			return
		}
	}
	require.Failf(m.t, "it goes on", "%s fires still", alert)
}

// serving says that the program as a whole serves, whatever is watched.
func (s *side) serving() {
	s.t.Helper()
	out, err := s.node.health.Check(s.t.Context(), &healthpb.HealthCheckRequest{})
	require.NoError(s.t, err)
	require.Equal(s.t, healthpb.HealthCheckResponse_SERVING, out.Status)
}

// A disk that fills is told while there is room, and again when entries use up the room that
// was kept free; both are over with room again.
func TestAFullDiskIsToldWithinAMinute(t *testing.T) {
	_, laptop, _ := linked(t)
	m := watching(t, laptop)
	require.Empty(t, m.read(), "nothing is wrong before")
	require.True(t, laptop.well(watchDisk))
	laptop.disk.SetCapacity(1<<20 + 200<<10) // the reserve, and little more
	m.fires("ThawtrailDiskNearlyFull", watchDisk)
	for saved := 0; ; saved++ {
		require.Less(t, saved, 1000)
		if _, err := laptop.Write(t.Context(), &pb.WriteRequest{Entry: laptop.Entry(&pb.NoteAdded{
			EntityKind: "place", Entity: "north car", Text: &pb.Sealed{Plain: strings.Repeat("the lid sticks. ", 240)}})}); err != nil {
			break
		}
	}
	m.fires("ThawtrailDiskFull", watchDisk)
	laptop.serving()
	laptop.disk.SetCapacity(0)
	laptop.Clock.Advance(2 * time.Minute)
	laptop.note()
	m.calm("ThawtrailDiskFull", watchDisk)
	require.NotContains(t, m.firing(), "ThawtrailDiskNearlyFull")
}

// oftenEnough makes a test short: it waits for a look or two.
const oftenEnough = 20 * time.Millisecond

// linked is a server and an agent whose link can be cut for good.
func linked(t *testing.T) (hub, laptop *side, cut func()) {
	t.Helper()
	hub, laptop = newSide(t, "clinic", 1), newSide(t, "north car", 2)
	hub.Hub, hub.looks, laptop.looks = true, oftenEnough, oftenEnough
	hub.Begin()
	gone := make(chan struct{})
	responder := replicationtest.Responder(hub.Replica, gone)
	link := replication.NewLink(laptop.Replica, "the hub", func(func()) (replication.Peer, error) {
		select {
		case <-gone:
			return nil, errors.New("no route to the clinic")
		default:
			return replicationtest.Direct{Responder: responder}, nil
		}
	}, replication.Memory{})
	laptop.Link = link
	hub.run()
	laptop.run(link.Run)
	require.Eventually(t, func() bool {
		return link.Up() && laptop.Store.Records() == hub.Store.Records()
	}, 10*time.Second, time.Millisecond)
	return hub, laptop, func() { close(gone) }
}

// A link that breaks is told on the laptop. One that is cut without a word is noticed by
// pings first, which leaves the rest of the minute to be told.
func TestADeadLinkIsToldWithinAMinute(t *testing.T) {
	require.Less(t, rpc.PingEvery+rpc.PingTimeout+watchEvery, time.Minute, "health")
	require.LessOrEqual(t, rpc.PingEvery+rpc.PingTimeout+watchEvery+scrapeEvery, time.Minute, "and what a monitor reads")
	_, laptop, cut := linked(t)
	m := watching(t, laptop)
	require.Empty(t, m.read())
	require.True(t, laptop.well(watchLink))
	cut()
	m.fires("ThawtrailLinkDown", watchLink)
	laptop.serving()
	laptop.Clock.Advance(7 * 24 * time.Hour)
	require.Contains(t, m.read(), "ThawtrailLaptopNotHeardOf")
}

// A backup that was never made, and one that is too old, are told on the server.
func TestAStaleBackupIsToldWithinAMinute(t *testing.T) {
	hub, _, _ := linked(t)
	m := watching(t, hub)
	m.fires("ThawtrailBackupStale", watchBackup)
	require.NoError(t, hub.BackedUp(replica.LastBackup{Until: hub.Clock.Now()}))
	m.calm("ThawtrailBackupStale", watchBackup)
	hub.Clock.Advance(StaleBackup - time.Minute)
	require.NotContains(t, m.read(), "ThawtrailBackupStale")
	hub.Clock.Advance(time.Minute)
	m.fires("ThawtrailBackupStale", watchBackup)
	hub.serving()
}

// A stretch of the journal that the disk cannot give back is told once it was met, and what
// nobody gives back counts as missing.
func TestADamagedRangeIsToldWithinAMinute(t *testing.T) {
	laptop := newSide(t, "north car", 2)
	laptop.looks = oftenEnough
	laptop.Begin()
	laptop.note()
	laptop.run()
	m := watching(t, laptop)
	require.Empty(t, m.read())
	end := laptop.Store.Records()
	laptop.note()
	laptop.note()
	require.Greater(t, laptop.Store.Records(), end)
	spoil(t, laptop)
	require.NoError(t, laptop.Store.Scrub(t.Context()))
	m.fires("ThawtrailDamagedRange", watchRecords)
	laptop.serving()
	_, samples := laptop.scrape(t)
	missing := valueOf(t, samples, "thawtrail_missing_records", "")
	require.Positive(t, missing)
	laptop.Clock.Advance(time.Hour)
	require.Contains(t, m.read(), "ThawtrailRecordsMissing")
}

// spoil flips a bit in the middle of the newest segment.
func spoil(t *testing.T, s *side) {
	t.Helper()
	files, err := s.disk.ReadDir("replica/journal")
	require.NoError(t, err)
	files = slices.DeleteFunc(files, func(e journal.Entry) bool { return !strings.HasSuffix(e.Name, ".journal") })
	last := files[len(files)-1]
	require.NoError(t, s.disk.Flip("replica/journal/"+last.Name, int(last.Size)/2, 1))
}

func valueOf(t *testing.T, samples []sample, name, labels string) float64 {
	t.Helper()
	at := slices.IndexFunc(samples, func(s sample) bool { return s.name == name && strings.Contains(s.labels, labels) })
	require.GreaterOrEqual(t, at, 0, "%s{%s}", name, labels)
	return samples[at].value
}

// Each other rule fires when what it is for is there, and not before.
func TestTheOtherAlerts(t *testing.T) {
	hub, laptop, _ := linked(t)
	require.NoError(t, hub.BackedUp(replica.LastBackup{Until: hub.Clock.Now()}))
	m := watching(t, laptop)
	require.Empty(t, m.read())

	laptop.index.fail(errors.New("input/output error"))
	laptop.note()
	require.Eventually(t, func() bool { return len(laptop.node.down()) > 0 }, 10*time.Second, time.Millisecond)
	require.Empty(t, m.read(), "it may work again by itself")
	laptop.Clock.Advance(time.Minute)
	require.Equal(t, []string{"ThawtrailPartDoesNotWork"}, m.read())
	laptop.index.err.Store(nil)
	laptop.note()
	require.Eventually(t, func() bool { return len(laptop.node.down()) == 0 }, 10*time.Second, time.Millisecond)

	laptop.node.metrics.called(rpc.Call{Service: "StockService", Method: "ListStock", Code: codes.InvalidArgument})
	require.Empty(t, m.read(), "a slip is no fault")
	laptop.node.metrics.called(rpc.Call{Service: "StockService", Method: "ListStock", Code: codes.Internal})
	require.Equal(t, []string{"ThawtrailCallsFail"}, m.read())
	laptop.Clock.Advance(time.Hour)
	m.read()
	require.Empty(t, m.read(), "it is over after a while")

	for _, told := range []struct {
		alert string
		sample
		after time.Duration
	}{
		{"ThawtrailDoesNotAnswer", sample{"up", `job="thawtrail"`, 0}, 30 * time.Second},
		{"ThawtrailIndexBehind", sample{"thawtrail_index_backlog_records", "", 10_001}, 15 * time.Minute},
		{"ThawtrailNotAsked", sample{"thawtrail_unanswered", `question="disk_free"`, 1}, 5 * time.Minute},
	} {
		m := watching(t, laptop)
		m.all = []reading{{laptop.Clock.Now(), []sample{told.sample}}}
		require.Empty(t, m.firing())
		m.all = append(m.all, reading{laptop.Clock.Now().Add(told.after), []sample{told.sample}})
		require.Equal(t, []string{told.alert}, m.firing())
	}
}

// What is watched is told by the conventions: promlint, the linter of the client library,
// finds nothing, and the number of series is bounded.
func TestMetricsKeepTheConventions(t *testing.T) {
	hub, laptop, _ := linked(t)
	require.NoError(t, hub.BackedUp(replica.LastBackup{Until: hub.Clock.Now()}))
	for _, s := range []*side{hub, laptop} {
		s.node.metrics.called(rpc.Call{Service: "StockService", Method: "ListStock", Code: codes.OK, Took: time.Millisecond})
		require.Eventually(t, func() bool { return s.node.lookout.last().doubts != nil }, 10*time.Second, time.Millisecond)
		text, samples := s.scrape(t)
		problems, err := promlint.New(strings.NewReader(text)).Lint()
		require.NoError(t, err)
		require.Empty(t, problems)
		require.EqualValues(t, s.Store.Records(), valueOf(t, samples, "thawtrail_records", ""))
		require.EqualValues(t, 1, valueOf(t, samples, "thawtrail_build_info", `fold="`))
		require.Zero(t, valueOf(t, samples, "thawtrail_open_discrepancies", `kind="given_after_hold"`), "a kind that is not there stands at 0")
		require.EqualValues(t, 1, valueOf(t, samples, "thawtrail_calls_total", `code="OK"`))
		require.Positive(t, valueOf(t, samples, "thawtrail_disk_free_bytes", ""))
		require.Less(t, len(samples), 400)
	}
	laptop.note()
	_, samples := laptop.scrape(t)
	require.Positive(t, valueOf(t, samples, "thawtrail_journal_sync_duration_seconds_count", ""))
}

// A page of somebody else's, at a name that was pointed here, reads no metrics.
func TestMetricsAnswerThisMachineAlone(t *testing.T) {
	laptop := newSide(t, "north car", 2)
	laptop.run()
	for host, want := range map[string]int{
		"127.0.0.1:4282": 200, "localhost:4282": 200, "[::1]:4282": 200, "127.0.0.1": 200,
		"evil.example": 403, "evil.example:4282": 403, "192.0.2.7:4282": 403, "127.0.0.1.evil.example": 403, "": 403,
	} {
		req := httptest.NewRequest("GET", "/metrics", nil)
		req.Host = host
		out := httptest.NewRecorder()
		metricsHandler(laptop.node.metrics.registry).ServeHTTP(out, req)
		require.Equal(t, want, out.Code, host)
	}
}

var metricName = regexp.MustCompile(`\b(?:thawtrail|process)_[a-z_]+\b`)

// Rules and dashboard name no metric that is not there.
func TestRulesAndDashboardNameMetricsThatAreThere(t *testing.T) {
	hub, laptop, _ := linked(t)
	laptop.node.metrics.called(rpc.Call{Service: "StockService", Method: "ListStock"})
	laptop.note()
	there := map[string]bool{"thawtrail_part_down": true} // it is when a part does not work
	for _, s := range []*side{hub, laptop} {
		require.Eventually(t, func() bool { return s.node.lookout.last().doubts != nil }, 10*time.Second, time.Millisecond)
		_, samples := s.scrape(t)
		for _, x := range samples {
			there[x.name] = true
		}
	}
	var board struct {
		Title  string
		Panels []struct {
			Title   string
			Targets []struct{ Expr string }
		}
	}
	raw, err := os.ReadFile("../../cmd/thawtrail/shipped/dashboard.json")
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(raw, &board))
	require.Equal(t, "thawtrail", board.Title)
	shown := map[string]bool{}
	for _, p := range board.Panels {
		require.NotEmpty(t, p.Targets, p.Title)
		for _, target := range p.Targets {
			names := metricName.FindAllString(target.Expr, -1)
			require.NotEmpty(t, names, target.Expr)
			for _, name := range names {
				require.True(t, there[name], "%s in %s", name, p.Title)
				shown[name] = true
			}
		}
	}
	for _, r := range readRules(t) {
		for _, name := range metricName.FindAllString(r.Expr+r.Annotations.Description, -1) {
			require.True(t, there[name] || there[name+"_count"], "%s in %s", name, r.Alert)
		}
		require.NotEmpty(t, r.Annotations.Summary, r.Alert)
		require.NotEmpty(t, r.Annotations.Description, r.Alert)
		require.Contains(t, []string{"info", "warning", "critical"}, r.Labels.Severity, r.Alert)
	}
	require.GreaterOrEqual(t, len(shown), 14)
}

// deaf is a disk that does not say how much room it has.
type deaf struct{ *memfs.FS }

func (deaf) Free(string) (uint64, error) { return 0, errors.ErrUnsupported }

// A question that has no answer is told as such; what else was asked is answered, and the
// disk is not called full for it.
func TestAQuestionWithoutAnAnswer(t *testing.T) {
	laptop, err := entrytest.On(t, "north car", 2, rand.Reader, deaf{memfs.New()}, index.NewMemory())
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, laptop.Store.Close()) })
	laptop.Begin()
	require.NoError(t, laptop.Store.CatchUp(t.Context()))
	n := &Node{Replica: laptop.Replica}
	now := n.look(t.Context(), seen{})
	require.Equal(t, map[string]bool{askDisk: true}, now.unanswered)
	require.NotNil(t, now.doubts)
	require.True(t, n.verdicts(now)[watchDisk])
	stopped, stop := context.WithCancel(t.Context())
	stop()
	require.Empty(t, n.look(stopped, now).unanswered, "a program that stops asks nothing")
}
