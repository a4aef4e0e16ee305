//go:build fleet

package demo

import (
	"fmt"
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	pb "thawtrail/proto/thawtrail/v1"
)

// envOlder names the older program. .ci/fleet builds one of another commit.
const envOlder = "THAWTRAIL_OLDER"

// TestAFleetOfTwoVersions: programs of a practice are never brought up to date all at
// once. In every mix of an older and the present one each takes in what the others
// wrote, opens the folder that the other wrote, forth and back, and loses nothing.
// Where all are of one version they agree to the byte.
func TestAFleetOfTwoVersions(t *testing.T) {
	older := os.Getenv(envOlder)
	require.NotEmpty(t, older, "name an older program in "+envOlder+"; .ci/fleet does")
	k := newTorture(t, "two versions", 1, 1, 1)
	present := k.n.cfg.Program
	for _, mix := range []struct {
		what                 string
		clinic, north, south string
	}{
		{"all are present", present, present, present},
		{"the server went back", older, present, present},
		{"a laptop went back too", older, older, present},
		{"the server alone is present", present, older, older},
		{"all went back", older, older, older},
		{"one laptop is present", older, older, present},
		{"all are present again", present, present, present},
	} {
		k.swap(k.n.clinic, mix.clinic)
		k.swap(k.n.north, mix.north)
		k.swap(k.n.south, mix.south)
		for _, s := range k.n.sites() {
			require.NoError(t, k.add(s, 3), "%s: %s", mix.what, s.name)
		}
		k.spread(mix.what)
		if mix.clinic == mix.north && mix.north == mix.south {
			k.settle(mix.what)
		}
	}
	k.tell()
	k.verified()
}

// swap stops a site and starts another version of the program on its folder.
func (k *torture) swap(s *site, program string) {
	k.t.Helper()
	s.proc.stop()
	require.NoError(k.t, s.open(k.t.Context(), program, k.n.dir), "%s on the folder of another version", s.name)
}

// spread waits until all that was acknowledged is on all three, and on the server's word.
// Programs that fold differently have digests that differ.
func (k *torture) spread(when string) {
	k.t.Helper()
	k.n.until(fmt.Sprintf("all is everywhere (%s)", when), func() bool {
		for _, s := range []*site{k.n.north, k.n.south} {
			st := ask(k.n, s, s.audit.GetStatus, &pb.GetStatusRequest{})
			if st.GetSavedHere()+st.GetSent() > 0 {
				return false
			}
		}
		for _, s := range k.n.sites() {
			if len(k.lacks(s, k.n.acks)) > 0 {
				return false
			}
		}
		return true
	})
	require.NoError(k.t, k.n.err, when)
}
