package trust

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"sync"

	"thawtrail/internal/trust/vault"
)

// keptFile holds what this machine remembers beside its records: it stays when the
// index, which follows from the records, is made anew.
const keptFile = "kept.box"

// Kept are the few things that this machine remembers and no record tells, by name. The
// zero value remembers until the program ends, and a nil one forgets.
type Kept struct {
	mu     sync.Mutex
	values map[string]string  // guarded by mu
	save   func([]byte) error // nil: in memory alone
}

// Kept opens what this machine remembers. None of it is worth a start that fails: what is
// damaged is begun anew, what cannot be read is left alone and nothing is remembered past
// this run. Either is told as trouble; nil when there is none.
func (h *Home) Kept() (k *Kept, trouble error) {
	k = &Kept{}
	data, save, err := h.Box(keptFile, vault.Kept)
	if err == nil && data != nil {
		if err = json.Unmarshal(data, &k.values); err != nil {
			k.values, err = nil, fmt.Errorf("%w: %w", vault.ErrDamaged, err)
		}
	}
	if err == nil || errors.Is(err, vault.ErrDamaged) {
		k.save = save
	}
	if err != nil {
		return k, fmt.Errorf("%s: when the last backup was, and what was ticked, is not remembered: %w", keptFile, err)
	}
	return k, nil
}

// Get is what is remembered under a name; empty: nothing.
func (k *Kept) Get(name string) string {
	if k == nil {
		return ""
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.values[name]
}

// Set remembers a value under a name, durably.
func (k *Kept) Set(name, value string) error {
	if k == nil {
		return nil
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	values := maps.Clone(k.values)
	if values == nil {
		values = map[string]string{}
	}
	values[name] = value
	if k.save != nil {
		data, err := json.Marshal(values)
		if err == nil {
			err = k.save(data)
		}
		if err != nil {
			return fmt.Errorf("remember %s: %w", name, err)
		}
	}
	k.values = values
	return nil
}
