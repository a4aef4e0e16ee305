// Package zone finds the time zones of the tz database by their names, and remembers them:
// reading one takes 40 µs of files, and each entry and question asks for some.
package zone

import (
	"sync"
	"time"
)

// maxZones is more than the tz database has names.
const maxZones = 1000

var known struct {
	mu   sync.RWMutex
	kept map[string]*time.Location // guarded by mu; at most maxZones
}

// Load is time.LoadLocation that remembers.
func Load(name string) (*time.Location, error) {
	known.mu.RLock()
	zone, ok := known.kept[name]
	known.mu.RUnlock()
	if ok {
		return zone, nil
	}
	zone, err := time.LoadLocation(name)
	if err != nil {
		return nil, err
	}
	known.mu.Lock()
	defer known.mu.Unlock()
	if known.kept == nil {
		known.kept = map[string]*time.Location{}
	}
	if len(known.kept) < maxZones {
		known.kept[name] = zone
	}
	return zone, nil
}
