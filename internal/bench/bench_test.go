package bench

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestRunQuick(t *testing.T) {
	var out bytes.Buffer
	require.NoError(t, Run(t.Context(), Config{JSON: true, Only: "push_ack_10k", Quick: true, Out: &out, Dir: t.TempDir()}))
	t.Log(out.String())
}

func BenchmarkPush(b *testing.B) { benchmarkOnly(b, "push_folded_100k") }
func BenchmarkPull(b *testing.B) { benchmarkOnly(b, "pull_folded_100k") }

func benchmarkOnly(b *testing.B, name string) {
	for b.Loop() {
		var out bytes.Buffer
		require.NoError(b, Run(b.Context(), Config{Only: name, Out: &out, Dir: b.TempDir()}))
		b.Log(out.String())
	}
}
