package node

import (
	"slices"

	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	pb "thawtrail/proto/thawtrail/v1"
)

// Health is told by the standard service of gRPC under four kinds of names:
//
//	(empty)                 the program: it serves as long as it answers
//	thawtrail.v1.NAME       one service of the contract, while a call to it can be answered in full
//	thawtrail.part.NAME     one loop of the program, see Part
//	thawtrail.watch.NAME    one condition that a monitor is to know, see watch
//
// Of a program that stops none serves.
func (n *Node) tell(name string, well bool) {
	state := healthpb.HealthCheckResponse_NOT_SERVING
	if well {
		state = healthpb.HealthCheckResponse_SERVING
	}
	n.health.SetServingStatus(name, state)
}

// tellPart tells how a part stands, and the services that need it.
func (n *Node) tellPart(part string, works bool) {
	n.tell("thawtrail.part."+part, works)
	n.tellServices()
}

// contract is the package of the services of the contract.
const contract = "thawtrail.v1."

// leastRoom is what one entry may need on a disk that is nearly full.
const leastRoom = 64 << 10

// saves says whether an entry can be saved now.
func (n *Node) saves() bool {
	if n.Store.Unwritten() != nil {
		return false
	}
	left, short := n.Store.Room()
	return !short || left >= leastRoom
}

// needs are the parts without which calls to a service fail, or are answered from what
// was known before. Services that are not named need the journal alone, or nothing.
var needs = map[string][]string{
	pb.StockService_ServiceDesc.ServiceName:    {partIndex},
	pb.CaseService_ServiceDesc.ServiceName:     {partIndex},
	pb.AuditService_ServiceDesc.ServiceName:    {partIndex},
	pb.ProofService_ServiceDesc.ServiceName:    {partIndex},
	pb.PrivacyService_ServiceDesc.ServiceName:  {partIndex},
	pb.PageService_ServiceDesc.ServiceName:     {partPages},
	pb.EnrolService_ServiceDesc.ServiceName:    {partMembers},
	pb.HubService_ServiceDesc.ServiceName:      {partMembers},
	pb.OrderService_ServiceDesc.ServiceName:    {partMembers},
	pb.ExchangeService_ServiceDesc.ServiceName: {partMembers},
}

// saving are the services whose calls save records.
var saving = []string{
	pb.RecordService_ServiceDesc.ServiceName, pb.CarryService_ServiceDesc.ServiceName, pb.ExchangeService_ServiceDesc.ServiceName,
}

// tellServices tells each service that is mounted.
func (n *Node) tellServices() {
	if len(n.services) == 0 {
		return
	}
	down := map[string]bool{}
	for _, p := range n.Parts.Down() {
		down[p.Part] = true
	}
	saves := n.saves()
	for _, name := range n.services {
		well := !slices.ContainsFunc(needs[name], func(part string) bool { return down[part] })
		n.tell(name, well && (saves || !slices.Contains(saving, name)))
	}
}
