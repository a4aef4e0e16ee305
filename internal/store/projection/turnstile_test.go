package projection

import (
	"runtime"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

// Whoever goes first is the next to go in, although another one waits already and the
// one who is in comes back at once; and nobody is ever in beside another.
func TestTurnstile(t *testing.T) {
	var gate turnstile
	var order []string
	gate.Lock()
	var all sync.WaitGroup
	waits := make(chan struct{}, 2)
	all.Go(func() {
		waits <- struct{}{}
		gate.Lock()
		order = append(order, "another")
		gate.Unlock()
	})
	<-waits
	all.Go(func() {
		waits <- struct{}{}
		gate.LockFirst()
		order = append(order, "first")
		gate.UnlockFirst()
	})
	<-waits
	for gate.next.TryLock() { // until the one who goes first stands there
		gate.next.Unlock()
		runtime.Gosched()
	}
	order = append(order, "in")
	gate.Unlock()
	gate.Lock()
	order = append(order, "back")
	gate.Unlock()
	all.Wait()
	require.Equal(t, []string{"in", "first"}, order[:2])
	require.ElementsMatch(t, []string{"another", "back"}, order[2:])
}

// Nobody is in beside another, whoever comes.
func TestTurnstileLetsOneIn(t *testing.T) {
	var gate turnstile
	in := 0
	var all sync.WaitGroup
	for i := range 8 {
		all.Go(func() {
			for range 1000 {
				enter, leave := gate.Lock, gate.Unlock
				if i%4 == 0 {
					enter, leave = gate.LockFirst, gate.UnlockFirst
				}
				enter()
				in++
				leave()
			}
		})
	}
	all.Wait()
	require.Equal(t, 8000, in)
}
