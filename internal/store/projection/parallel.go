package projection

import (
	"runtime"
	"sync"
)

const (
	maxWorkers = 4
	leastShare = 16 // of the work for each worker
)

// inParallel does n independent things, each once, and returns when all are done.
// Few are done one after the other.
func inParallel(n int, do func(i int)) {
	workers := min(runtime.GOMAXPROCS(0), maxWorkers, n/leastShare)
	if workers < 2 {
		for i := range n {
			do(i)
		}
		return
	}
	var done sync.WaitGroup
	for w := range workers {
		done.Go(func() {
			for i := w * n / workers; i < (w+1)*n/workers; i++ {
				do(i)
			}
		})
	}
	done.Wait()
}
