package bench

import (
	"bytes"
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store/pg"
	"thawtrail/internal/store/pg/pgtest"
)

// A push to a server in a database is measured beside a bare copy there, and leaves nothing.
func TestBenchOfADatabase(t *testing.T) {
	url := pgtest.Begin(t).URL()
	var out bytes.Buffer
	cfg := Config{Only: "push_database_100k", Quick: true, JSON: true, Out: &out, Dir: t.TempDir()}
	require.ErrorContains(t, Run(t.Context(), cfg), "--database")
	cfg.Database = url
	require.NoError(t, Run(t.Context(), cfg))
	var got map[string]any
	require.NoError(t, json.Unmarshal(out.Bytes(), &got))
	require.Greater(t, got["ratio"], 0.0)
	d, err := pg.Open(t.Context(), pg.Options{URL: url})
	require.NoError(t, err)
	defer d.Close()
	left, err := d.Practices(t.Context(), 10)
	require.NoError(t, err)
	require.Empty(t, left)
}
