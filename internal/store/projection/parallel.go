package projection

import (
	"runtime"
	"sync"
	"sync/atomic"
)

const (
	maxWorkers = 4
	leastShare = 16 // of the work for each worker
	handOut    = 4  // that a worker takes at once
)

// inParallel does n independent things, each once, and returns when all are done.
// Few are done one after the other, and all while the projection works alone. Workers
// take a few at a time, for some things take a hundred times as long as others.
func (p *Projection) inParallel(n int, do func(i int)) {
	workers := min(runtime.GOMAXPROCS(0), maxWorkers, n/leastShare)
	if workers < 2 && !p.alone {
		for i := range n {
			do(i)
		}
		return
	}
	if p.alone {
		workers = 1
	}
	var taken atomic.Int64
	work := func() {
		for {
			end := int(taken.Add(handOut))
			for i := end - handOut; i < min(end, n); i++ {
				do(i)
			}
			runtime.Gosched() // what came meanwhile goes first
			if end >= n {
				return
			}
		}
	}
	var done sync.WaitGroup
	for range workers - 1 {
		done.Go(work)
	}
	work()
	done.Wait()
}
