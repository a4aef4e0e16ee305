package replication

import (
	"fmt"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/replica"
	pb "thawtrail/proto/thawtrail/v1"
)

// maxAside bounds the runs that are kept for a person; the oldest go first.
const maxAside = 64

// quarantine keeps a run that did not verify, with the reason beside it, so that
// a person can look. Nothing of it is in the books.
func quarantine(r *replica.Replica, run *pb.Run, why *exchange.Refusal) {
	if r.Aside == nil {
		return
	}
	data, err := proto.Marshal(run)
	if err != nil {
		return
	}
	log, _ := event.ToHash(run.GetLog())
	name := fmt.Sprintf("%016d-%s-%d", r.Clock.Now().UnixMicro(), log.Short(), run.GetFrom())
	// A full disk must not stop the exchange: the run can be fetched again.
	if r.Aside.Write(name+".run", data) == nil {
		_ = r.Aside.Write(name+".txt", []byte(why.Error()+"\n"))
	}
	trim(r.Aside)
}

// trim is best effort: it only bounds what is kept.
func trim(aside replica.Aside) {
	names, err := aside.List()
	if err != nil {
		return
	}
	for _, name := range names[:max(0, len(names)-2*maxAside)] {
		_ = aside.Remove(name)
	}
}
