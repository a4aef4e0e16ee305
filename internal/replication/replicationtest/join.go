package replicationtest

import (
	"thawtrail/internal/replica"
	"thawtrail/internal/replication"
)

// Responder answers for a replica that is the server, until done ends.
func Responder(hub *replica.Replica, done <-chan struct{}) *replication.Responder {
	return &replication.Responder{
		Replica: hub, Done: done,
		Practice: func() string { return "" }, Epoch: func() string { return "first" },
	}
}

// Join gives a laptop its link to a server within this process. It runs when it is
// told to.
func Join(laptop, hub *replica.Replica, done <-chan struct{}) *replication.Link {
	responder := Responder(hub, done)
	link := replication.NewLink(laptop, "the hub", func(func()) (replication.Peer, error) {
		return Direct{Responder: responder}, nil
	}, replication.Memory{})
	laptop.Link = link
	return link
}
