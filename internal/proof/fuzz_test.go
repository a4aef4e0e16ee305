package proof

import (
	"testing"

	pb "thawtrail/proto/thawtrail/v1"
)

func FuzzProof(f *testing.F) {
	empty, err := Encode(&pb.Proof{Shown: &pb.ProofPiece{Links: [][]byte{{1}}}, Statement: &pb.ProofPiece{}})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(empty)
	f.Fuzz(func(t *testing.T, file []byte) {
		p, err := Decode(file)
		if err != nil {
			return
		}
		if _, err := Verify(p); err == nil {
			t.Fatal("a forged proof holds")
		}
	})
}
