package replica

import (
	"context"
	"time"
)

// Rehearsal says that this replica belongs to a practice in which nothing is real. All
// that is shown of it, printed or written into a file says so.
func (r *Replica) Rehearsal() bool { return r.Joined != nil && r.Joined.Rehearsal }

// Script is what goes on around the one who rehearses.
type Script interface {
	// Scene is what goes on now.
	Scene(context.Context) (Scene, error)
	// Changed is closed when the scene may have changed without an entry.
	Changed() <-chan struct{}
	// Pass lets time go by on all clocks of the rehearsal.
	Pass(time.Duration)
	// Again begins another rehearsal, throws this one away once its answer is out, and
	// gives the address that opens the new one once.
	Again(context.Context) (url string, err error)
	// End throws the rehearsal away once its answer is out.
	End()
}

// Scene is one moment of a rehearsal, told to the one who rehearses.
type Scene struct {
	Text   string        // what goes on, and what the patient shows
	Met    []Meeting     // what is to be met on the way
	Passed time.Duration // how far its clocks are ahead of the machine's
	// Real are what the real laptop beside it has to say now: alarms, what is overdue,
	// holds. RealPages opens its pages; empty where that is not known.
	Real      []string
	RealPages string
}

// Meeting is one thing that a rehearsal brings.
type Meeting struct {
	Name string
	Done bool
}

// Rehearsals starts rehearsals beside this laptop's real work.
type Rehearsals interface {
	// State is how the rehearsal stands that was started here.
	State() RehearsalState
	// Changed is closed when that changes.
	Changed() <-chan struct{}
	// Start begins one, unless one is there.
	Start()
	// Discard throws it away; nothing of it stays on the disk.
	Discard()
}

// RehearsalState is how a rehearsal stands, seen from the real laptop.
type RehearsalState struct {
	Starting bool
	URL      string // opens its pages once; empty: none is there
	Trouble  string // why the last one did not begin, or ended by itself
}
