package rpc

import (
	"context"

	"google.golang.org/grpc"

	"thawtrail/internal/access"
	"thawtrail/internal/entry"
	"thawtrail/internal/query"
	pb "thawtrail/proto/thawtrail/v1"
)

// Each service is the room that does its work, under the name of the contract.
// A method that the room lacks does not compile.
type (
	recordService struct {
		pb.UnsafeRecordServiceServer
		*entry.Writer
	}
	stockService struct {
		pb.UnsafeStockServiceServer
		query.Reader
	}
	caseService struct {
		pb.UnsafeCaseServiceServer
		query.Reader
	}
	auditService struct {
		pb.UnsafeAuditServiceServer
		query.Reader
	}
	proofService struct {
		pb.UnsafeProofServiceServer
		query.Reader
	}
	privacyService struct {
		pb.UnsafePrivacyServiceServer
		query.Reader
	}
	pinService struct {
		pb.UnsafePinServiceServer
		*access.PINs
	}
	phoneService struct {
		pb.UnsafePhoneServiceServer
		*access.Phones
	}
	pageService struct {
		pb.UnsafePageServiceServer
		*access.Pages
	}
)

// RegisterPINs serves who types at this machine.
func RegisterPINs(s *grpc.Server, p *access.PINs) {
	pb.RegisterPinServiceServer(s, pinService{PINs: p})
}

// RegisterPhones serves the phones that are paired to this machine's pages.
func RegisterPhones(s *grpc.Server, p *access.Phones) {
	pb.RegisterPhoneServiceServer(s, phoneService{Phones: p})
}

// RegisterPages serves the way to the pages of this machine.
func RegisterPages(s *grpc.Server, p *access.Pages) {
	pb.RegisterPageServiceServer(s, pageService{Pages: p})
}

// unaryStatus and streamStatus give every error of a service the status code that
// its kind has by the documents of gRPC.
func unaryStatus(ctx context.Context, req any, _ *grpc.UnaryServerInfo, handle grpc.UnaryHandler) (any, error) {
	out, err := handle(ctx, req)
	if err != nil {
		return nil, Status(err)
	}
	return out, nil
}

func streamStatus(srv any, stream grpc.ServerStream, _ *grpc.StreamServerInfo, handle grpc.StreamHandler) error {
	return Status(handle(srv, stream))
}
