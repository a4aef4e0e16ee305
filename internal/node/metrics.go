package node

import (
	"context"
	"errors"
	"fmt"
	"net/http"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"thawtrail/internal/replica"
	"thawtrail/internal/rpc"
	"thawtrail/internal/trust"
)

// metrics serves the Prometheus text format until ctx ends. An empty address
// serves nothing.
func (n *Node) metrics(ctx context.Context) error {
	addr := n.Metrics
	if addr == "" {
		return nil
	}
	l, err := trust.Listen("metrics", addr)
	if err != nil {
		return err
	}
	reg := prometheus.NewRegistry()
	reg.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	gauge := func(name, help string, value func() float64) {
		reg.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Namespace: "thawtrail", Name: name, Help: help}, value))
	}
	gauge("records", "Records saved here.", func() float64 { return float64(n.Store.Records()) })
	gauge("unsent_records", "Records of this device that no server has acknowledged.", func() float64 { return float64(n.Unsent()) })
	gauge("repairs", "Repairs since this replica was opened.", func() float64 { return float64(len(n.Store.Repairs())) })
	gauge("last_heard_seconds", "Unix time when this replica last heard from the server; 0 for never.", func() float64 {
		if t := n.Link.LastHeard(); !t.IsZero() {
			return float64(t.Unix())
		}
		return 0
	})
	reg.MustRegister(partsCollector{n.Parts})
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(reg, promhttp.HandlerOpts{}))
	srv := &http.Server{Handler: mux, ReadHeaderTimeout: rpc.PingTimeout, MaxHeaderBytes: 16 << 10}
	stop := context.AfterFunc(ctx, func() { _ = srv.Close() }) // ending by Close is the normal end
	defer stop()
	if err := srv.Serve(l); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("metrics on %s: %w", addr, err)
	}
	return nil
}

// partsCollector counts failures of the parts that do not work now.
type partsCollector struct{ parts *replica.Parts }

var partDown = prometheus.NewDesc("thawtrail_part_failures", "Failures in a row of a part of the program that does not work now.", []string{"part"}, nil)

// Describe implements prometheus.Collector.
func (partsCollector) Describe(ch chan<- *prometheus.Desc) { ch <- partDown }

// Collect implements prometheus.Collector.
func (c partsCollector) Collect(ch chan<- prometheus.Metric) {
	for _, d := range c.parts.Down() {
		ch <- prometheus.MustNewConstMetric(partDown, prometheus.GaugeValue, float64(d.Failures), d.Part)
	}
}
