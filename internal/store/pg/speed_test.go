//go:build linux

package pg

import (
	"slices"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/store/truthtest"
)

// BenchmarkCommit is what 100,000 frames of 300 bytes in batches of 1 MiB cost, closed, until
// durable, beside the same bytes copied into a bare table, a transaction each:
//
//	go test ./internal/store/pg -run - -bench Commit -benchtime 1x
func BenchmarkCommit(b *testing.B) {
	const frames, size, batch = 100_000, 300, 1 << 20 / 300
	var all [][]byte
	for i := range frames {
		all = append(all, truthtest.Frame(i, size))
	}
	p := newPlace(b)
	query(b, `DROP TABLE IF EXISTS bare`)
	query(b, `CREATE TABLE bare (practice text, position bigint, frame bytea)`)
	var ours, bare []time.Duration
	for range b.N {
		for round := range 5 {
			truth := mustOpen(b, place{p.Options, p.practice + string(rune('a'+round))})
			began := time.Now()
			for part := range slices.Chunk(all, batch) {
				_, err := truth.Commit(part)
				require.NoError(b, err)
			}
			ours = append(ours, time.Since(began))

			conn, err := pgx.Connect(b.Context(), p.URL)
			require.NoError(b, err)
			began = time.Now()
			at := 0
			for part := range slices.Chunk(all, batch) {
				rows := make([][]any, len(part))
				for i := range part {
					at++
					rows[i] = []any{p.practice, int64(at), part[i]}
				}
				_, err := conn.CopyFrom(b.Context(), pgx.Identifier{"bare"}, []string{"practice", "position", "frame"}, pgx.CopyFromRows(rows))
				require.NoError(b, err)
			}
			bare = append(bare, time.Since(began))
			require.NoError(b, conn.Close(b.Context()))
		}
	}
	slices.Sort(ours)
	slices.Sort(bare)
	b.ReportMetric(ours[len(ours)/2].Seconds(), "s/100k")
	b.ReportMetric(bare[len(bare)/2].Seconds(), "bare-s/100k")
	b.ReportMetric(ours[len(ours)/2].Seconds()/bare[len(bare)/2].Seconds(), "ratio")
	b.ReportMetric(float64(query(b, `SELECT pg_total_relation_size('thawtrail_leaf')`))/float64(5*frames*b.N), "bytes/frame")
}
