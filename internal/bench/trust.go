package bench

import (
	"bytes"
	"context"
	"crypto/rand"
	"os"
	"path/filepath"

	"google.golang.org/protobuf/proto"

	"thawtrail/agent"
	"thawtrail/internal/clock"
	"thawtrail/internal/store"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/invite"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
	pb "thawtrail/proto/thawtrail/v1"
	"thawtrail/server"
)

var keyBytes = bytes.Repeat([]byte{7}, vault.KeySize)

// secret opens every folder of the bench: all is encrypted, as in a practice. A
// key file costs no time, so that what is measured begins after the unlock.
func secret() *vault.Secret {
	s, err := vault.KeyFile(keyBytes)
	if err != nil {
		panic(err) // the size is a constant
	}
	return &s
}

// openStore opens a replica with the keys that lie beside it.
func openStore(ctx context.Context, dir string, opt store.Options) (*store.Store, error) {
	home, err := trust.Open(dir, secret(), rand.Reader)
	if err != nil {
		return nil, err
	}
	opt = home.Store(opt)
	opt.DeviceName, opt.Version = "bench", "bench"
	return store.Open(ctx, opt)
}

// vetName is the vet who writes it all, the practice's owner.
const vetName = "M. Alder"

// practiceName is what every practice of a bench is called.
const practiceName = "Alder Creek Equine"

// begin makes a practice in an empty server's folder.
func begin(ctx context.Context, hub string, c clock.Clock) error {
	_, err := server.Init(ctx, server.InitConfig{
		Data: hub, Secret: secret(), Practice: practiceName, Zone: "Europe/Dublin", Currency: "EUR", Owner: vetName, Clock: c,
	})
	return err
}

// join lets the laptop of a folder into the practice of another one, by files;
// both are stopped.
func join(ctx context.Context, hub, laptop string, c clock.Clock) error {
	dir, err := os.MkdirTemp("", "thawtrail-bench-join-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	request, answer := filepath.Join(dir, "request"), filepath.Join(dir, "answer")
	cfg := agent.Config{Data: laptop, Secret: secret(), Name: "laptop", Clock: c}
	err = server.Office(ctx, server.Config{Data: hub, Secret: secret(), Clock: c}, func(office pb.HubServiceServer) error {
		made, err := office.Invite(ctx, &pb.InviteRequest{Person: vetName})
		if err != nil {
			return err
		}
		code, err := invite.ParseCode(made.Code)
		if err == nil {
			err = agent.RequestFile(ctx, cfg, code, request)
		}
		if err != nil {
			return err
		}
		return admit(ctx, office, request, answer)
	})
	if err == nil {
		_, err = agent.AnswerFile(ctx, cfg, answer)
	}
	return err
}

func admit(ctx context.Context, office pb.HubServiceServer, request, answer string) error {
	raw, err := os.ReadFile(request)
	if err != nil {
		return err
	}
	req := &pb.AdmitFileRequest{Request: &pb.EnrolRequest{}}
	if err := proto.Unmarshal(raw, req.Request); err != nil {
		return err
	}
	admitted, err := office.AdmitFile(ctx, req)
	if err != nil {
		return err
	}
	if raw, err = proto.Marshal(admitted.Response); err != nil {
		return err
	}
	return wholefile.Write(answer, raw)
}
