package replication

import (
	"fmt"
	"os"
	"path/filepath"
	"sort"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/replica"
	"thawtrail/internal/wholefile"
	pb "thawtrail/proto/thawtrail/v1"
)

// maxAside bounds the runs that are kept for a person; the oldest go first.
const maxAside = 64

// keepAside keeps a run that did not verify, with the reason beside it, so that
// a person can look. Nothing of it is in the books.
func quarantine(r *replica.Replica, run *pb.Run, why *exchange.Refusal) {
	if r.Quarantine == "" {
		return
	}
	data, err := proto.Marshal(run)
	if err != nil {
		return
	}
	log, _ := event.ToHash(run.GetLog())
	name := fmt.Sprintf("%016d-%s-%d", r.Clock.Now().UnixMicro(), log.Short(), run.GetFrom())
	base := filepath.Join(r.Quarantine, name)
	// A full disk must not stop the exchange: the run can be fetched again.
	write := wholefile.Write
	if r.KeepFile != nil {
		write = r.KeepFile
	}
	if write(base+".run", data) == nil {
		_ = write(base+".txt", []byte(why.Error()+"\n"))
	}
	trimQuarantine(r.Quarantine)
}

func trimQuarantine(dir string) {
	files, err := filepath.Glob(filepath.Join(dir, "*"))
	if err != nil {
		return
	}
	sort.Strings(files)
	for _, f := range files[:max(0, len(files)-2*maxAside)] {
		_ = os.Remove(f) // best effort: it only bounds the folder
	}
}
