package demo

import (
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/demo/wire"
)

// illnesses are the ways in which a network is bad without being cut.
var illnesses = map[string]func(k *torture) wire.Illness{
	"delay": func(k *torture) wire.Illness {
		late := time.Duration(20+k.random.IntN(300)) * time.Millisecond
		return func(to io.Writer, piece []byte) error {
			time.Sleep(late)
			return all(to, piece)
		}
	},
	"drop in a frame": func(k *torture) wire.Illness {
		var left atomic.Int64 // both ways
		left.Store(k.random.Int64N(20_000))
		return func(to io.Writer, piece []byte) error {
			if left.Add(-int64(len(piece))) > 0 {
				return all(to, piece)
			}
			return errors.Join(all(to, piece[:len(piece)/2]), io.ErrUnexpectedEOF)
		}
	},
	"black hole": func(*torture) wire.Illness {
		return func(io.Writer, []byte) error { return wire.ErrSilent }
	},
	"byte by byte": func(*torture) wire.Illness {
		return func(to io.Writer, piece []byte) error {
			for i := range piece {
				if err := all(to, piece[i:i+1]); err != nil {
					return err
				}
			}
			return nil
		}
	},
	"flapping": func(k *torture) wire.Illness {
		return func(to io.Writer, piece []byte) error {
			return errors.Join(all(to, piece), io.ErrUnexpectedEOF)
		}
	},
}

func all(to io.Writer, piece []byte) error {
	_, err := to.Write(piece)
	return err
}

// TestTortureNetworks lets one laptop's way to the server fall ill in every round,
// while all three write; then it is well again.
func TestTortureNetworks(t *testing.T) {
	k := newTorture(t, "bad networks", 1, 4, 200)
	met := map[string]int{}
	names := slices.Sorted(maps.Keys(illnesses))
	for round := range k.rounds {
		s, name := k.laptop(), names[round%len(names)]
		s.wire.Suffer(illnesses[name](k))
		met[name]++
		for range 3 {
			for _, s := range k.n.sites() {
				require.NoError(t, k.add(s, 1), "nobody waits for a network")
			}
			k.pause(400)
		}
		s.wire.Suffer(nil)
		k.settle(fmt.Sprintf("round %d: %s at %s", round, name, s.name))
	}
	k.figures.Met = fmt.Sprint(met)
	k.tell()
	k.verified()
}
