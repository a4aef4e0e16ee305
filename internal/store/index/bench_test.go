package index

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
)

// eachBenchIndex measures both kinds with 100,000 keys in them.
func eachBenchIndex(b *testing.B, run func(b *testing.B, ix Index)) {
	for _, name := range []string{"memory", "disk"} {
		b.Run(name, func(b *testing.B) {
			var ix Index = NewMemory()
			if name == "disk" {
				ix = mustOpen(b, Options{Dir: b.TempDir()}, Fresh)
			}
			for i := 0; i < 100_000; i += 1000 {
				benchUpdate(b, ix, i, 1000)
			}
			run(b, ix)
			require.NoError(b, ix.Close())
		})
	}
}

// benchKey spreads over the whole key space.
func benchKey(i int) []byte { return fmt.Appendf(nil, "%08x", uint32(i)*2654435761) }

func benchUpdate(b *testing.B, ix Index, from, n int) {
	value := make([]byte, 100)
	require.NoError(b, ix.Update(func(w Writer) error {
		for i := from; i < from+n; i++ {
			if err := w.Set(benchKey(i), value); err != nil {
				return err
			}
		}
		return nil
	}))
}

func BenchmarkUpdate(b *testing.B) {
	for _, n := range []int{4, 1000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			eachBenchIndex(b, func(b *testing.B, ix Index) {
				for i := 0; b.Loop(); i += n {
					benchUpdate(b, ix, i%100_000, n)
				}
			})
		})
	}
}

func BenchmarkGet(b *testing.B) {
	eachBenchIndex(b, func(b *testing.B, ix Index) {
		for i := 0; b.Loop(); i++ {
			require.NoError(b, ix.View(func(r Reader) error {
				_, _, err := r.Get(benchKey(i % 100_000))
				return err
			}))
		}
	})
}

func BenchmarkScan(b *testing.B) {
	eachBenchIndex(b, func(b *testing.B, ix Index) {
		for b.Loop() {
			n := 0
			require.NoError(b, ix.View(func(r Reader) error {
				return r.Scan(nil, nil, false, func(_, _ []byte) (bool, error) { n++; return true, nil })
			}))
			require.Equal(b, 100_000, n)
		}
	})
}
