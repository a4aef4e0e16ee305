package node

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"runtime"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"thawtrail/internal/replica"
	"thawtrail/internal/rpc"
)

// serveMetrics serves the Prometheus text format, and OpenMetrics to who asks for it, until
// ctx ends. An empty address serves nothing. Metrics hold counts and no name of a person,
// a client or a patient.
func (n *Node) serveMetrics(ctx context.Context, l net.Listener) error {
	return ServeMetrics(ctx, l, n.metrics.registry)
}

// ServeMetrics serves those of a registry until ctx ends.
func ServeMetrics(ctx context.Context, l net.Listener, of prometheus.Gatherer) error {
	srv := &http.Server{Handler: metricsHandler(of), ReadHeaderTimeout: rpc.PingTimeout, MaxHeaderBytes: 16 << 10}
	stop := context.AfterFunc(ctx, func() { _ = srv.Close() }) // ending by Close is the normal end
	defer stop()
	if err := srv.Serve(l); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("metrics on %s: %w", l.Addr(), err)
	}
	return nil
}

// metricsHandler answers this machine's own monitor. A name that a page of somebody else
// had pointed here is refused, as on the pages.
func metricsHandler(of prometheus.Gatherer) http.Handler {
	answer := promhttp.HandlerFor(of, promhttp.HandlerOpts{EnableOpenMetrics: true})
	mux := http.NewServeMux()
	mux.HandleFunc("GET /metrics", func(w http.ResponseWriter, r *http.Request) {
		if !thisMachine(r.Host) {
			http.Error(w, "metrics answer at the address of this machine alone", http.StatusForbidden)
			return
		}
		answer.ServeHTTP(w, r)
	})
	return mux
}

func thisMachine(host string) bool {
	name, _, err := net.SplitHostPort(host)
	if err != nil {
		name = host
	}
	ip := net.ParseIP(name)
	return name == "localhost" || ip != nil && ip.IsLoopback()
}

// metrics are what is counted as it happens; all else is looked up when it is read.
type metrics struct {
	registry *prometheus.Registry // nil where who runs the node has it
	syncs    prometheus.Histogram
	calls    *prometheus.CounterVec
	took     *prometheus.HistogramVec
}

// syncBuckets span a fast disk, a laptop's and a sick one.
var syncBuckets = []float64{.0005, .001, .002, .005, .01, .02, .05, .1, .2, .5, 1, 2, 5, 10}

// newMetrics counts calls by method and code, and how long they took by service alone:
// services, methods and codes are those of the contract, so that the number of series is
// bounded whoever calls. gone takes them away again.
func (n *Node) newMetrics() (gone func()) {
	m := metrics{
		syncs: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "thawtrail_journal_sync_duration_seconds", Help: "How long it took until records were on the disk.", Buckets: syncBuckets,
		}),
		calls: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "thawtrail_calls_total", Help: "Calls that have ended, by service, method and gRPC code.",
		}, []string{"service", "method", "code"}),
		took: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "thawtrail_call_duration_seconds", Help: "How long calls took that answer once, by service.", Buckets: prometheus.DefBuckets,
		}, []string{"service"}),
	}
	to := n.Measures
	if to == nil {
		m.registry = NewRegistry()
		to = m.registry
	}
	own := []prometheus.Collector{m.syncs, m.calls, m.took, collector{n}}
	to.MustRegister(own...)
	n.Store.OnSync(func(took time.Duration) { m.syncs.Observe(took.Seconds()) })
	n.metrics = m
	return func() {
		for _, c := range own {
			to.Unregister(c)
		}
	}
}

// NewRegistry is one with what is measured of every process.
func NewRegistry() *prometheus.Registry {
	r := prometheus.NewRegistry()
	r.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return r
}

func (m metrics) called(c rpc.Call) {
	m.calls.WithLabelValues(c.Service, c.Method, c.Code.String()).Inc()
	if !c.Open {
		m.took.WithLabelValues(c.Service).Observe(c.Took.Seconds())
	}
}

func described(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("thawtrail_"+name, help, labels, nil)
}

var (
	descBuild = described("build_info", "What this program was built from, and the numbers of its formats; always 1.",
		"version", "commit", "go", "fold", "wire", "journal")
	descRecords    = described("records", "Records saved here.")
	descUnsent     = described("unsent_records", "Records of this device that no server has acknowledged.")
	descMissing    = described("missing_records", "Records that are known of and cannot be read here, until they are fetched again.")
	descUnreadable = described("unreadable_ranges", "Stretches of the journal that the disk cannot give back, as far as they were met.")
	descBacklog    = described("index_backlog_records", "Records that are saved and not yet in the index.")
	descRepairs    = described("repairs", "What was found damaged and mended since the start.")
	descFree       = described("disk_free_bytes", "Bytes left on the disk of the data folder.")
	descReserve    = described("reserve_in_place", "1 while the room that is kept free for records on a full disk is in place.")
	descDoubts     = described("open_discrepancies", "Open discrepancies, by kind.", "kind")
	descLaptops    = described("connected_laptops", "Laptops that are connected to this server.")
	descLink       = described("link_up", "1 while the clinic's server answers this laptop.")
	descHeard      = described("server_last_heard_timestamp_seconds", "When this laptop last heard from the server; 0 for never.")
	descBackup     = described("last_backup_timestamp_seconds", "When the books were last saved whole, away from this folder; 0 for never.")
	descUnanswered = described("unanswered", "1 while this could not be asked, so that its metric is not there.", "question")
	descPart       = described("part_down", "1 for each part of the program that does not work now.", "part")
)

// collector tells how the replica stands.
type collector struct{ *Node }

// Describe implements prometheus.Collector: some are there at times.
func (c collector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{
		descBuild, descRecords, descUnsent, descMissing, descUnreadable, descBacklog, descRepairs, descFree, descReserve, descDoubts,
		descLaptops, descLink, descHeard, descBackup, descUnanswered, descPart,
	} {
		ch <- d
	}
}

// Collect implements prometheus.Collector.
func (c collector) Collect(ch chan<- prometheus.Metric) {
	gauge := func(d *prometheus.Desc, value float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, value, labels...)
	}
	now := c.lookout.last()
	formats := replica.Formats
	gauge(descBuild, 1, replica.Version, replica.Program.Commit, runtime.Version(), strconv.Itoa(formats.Fold), strconv.Itoa(formats.Wire), strconv.Itoa(formats.Journal))
	gauge(descRecords, float64(c.Store.Records()))
	gauge(descMissing, float64(now.missing))
	gauge(descUnreadable, float64(now.unreadable))
	gauge(descBacklog, float64(c.Store.Behind()))
	gauge(descRepairs, float64(len(c.Store.Repairs())))
	if !now.unanswered[askDisk] {
		gauge(descFree, float64(now.free))
	}
	gauge(descReserve, truth(now.reserve))
	for kind, count := range now.doubts {
		gauge(descDoubts, float64(count), kind)
	}
	if c.Hub {
		gauge(descLaptops, float64(c.laptops()))
		if !now.unanswered[askBackup] {
			gauge(descBackup, unixOf(now.backup))
		}
	} else {
		gauge(descUnsent, float64(c.Unsent()))
		if c.Link.Server() != "" { // one that works alone waits for nobody
			gauge(descHeard, unixOf(c.Link.LastHeard()))
			gauge(descLink, truth(c.Link.Up()))
		}
	}
	for _, q := range questions {
		gauge(descUnanswered, truth(now.unanswered[q]), q)
	}
	for _, part := range c.down() {
		gauge(descPart, 1, part)
	}
}

// down names the parts that do not work, as the status does.
func (n *Node) down() (parts []string) {
	if n.Store.Trouble() != nil {
		parts = append(parts, "index on the disk")
	}
	if n.Store.Unwritten() != nil {
		parts = append(parts, "journal")
	}
	for _, d := range n.Parts.Down() {
		parts = append(parts, d.Part)
	}
	return parts
}

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// unixOf is a moment as monitors take it; 0 for never.
func unixOf(t time.Time) float64 {
	if t.IsZero() {
		return 0
	}
	return float64(t.UnixMilli()) / 1000
}
