package ledger

import pb "thawtrail/proto/thawtrail/v1"

// Client is a horse's owner or agent. Name and address stay sealed.
type Client struct {
	_ struct{} `cbor:",toarray"`
	Common
	Name      *Sealed
	Telephone *Sealed
	Address   *Sealed
	Forgotten *Forgotten // every replica drops the keys
}

// Forgotten is the word that a client's keys are to be dropped.
type Forgotten struct {
	_      struct{} `cbor:",toarray"`
	Stamp  Stamp
	Reason string
}

func foldClient(s *set) State {
	c := &Client{}
	for _, f := range s.facts {
		switch p := f.body.(type) {
		case *pb.ClientAdded:
			c.Name, c.Telephone, c.Address = sealedOf(p.Name), sealedOf(p.Telephone), sealedOf(p.Address)
		case *pb.ClientForgotten:
			c.Forgotten = &Forgotten{Stamp: f.stamp(), Reason: p.Reason}
		}
	}
	c.Common = s.common()
	return c
}
