package agent_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "thawtrail/proto/thawtrail/v1"
)

// TestPeopleShareALaptop switches between two people, with PINs and without.
func TestPeopleShareALaptop(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := c.join("north", "J. Reed", pb.Role_ROLE_CLINIC)
	eventually(t, "connected", func() bool { return l.state() == "connected" })
	c.same(l)
	desk := pb.NewPinServiceClient(l.conn)
	write := func(name string) *pb.GetRecordResponse {
		t.Helper()
		made, err := l.record.Write(t.Context(), place(name))
		require.NoError(t, err)
		r, err := l.audit.GetRecord(t.Context(), &pb.GetRecordRequest{Record: made.Record})
		require.NoError(t, err)
		return r
	}
	_, err := desk.SetPin(t.Context(), &pb.SetPinRequest{Person: "J. Reed", Pin: "4711"})
	require.NoError(t, err)
	_, err = desk.SetPin(t.Context(), &pb.SetPinRequest{Person: "J. Reed", Pin: "1234", OldPin: "9999"})
	require.Equal(t, codes.PermissionDenied, status.Code(err))
	_, err = desk.SetPin(t.Context(), &pb.SetPinRequest{Person: "J. Reed", Pin: "12"})
	require.Error(t, err)

	answer, err := desk.Switch(t.Context(), &pb.SwitchRequest{Person: "J. Reed", Pin: "4711"})
	require.NoError(t, err)
	require.Equal(t, pb.ProofKind_PROOF_KIND_PIN, answer.Proof)
	require.Equal(t, "J. Reed", write("one").Who)

	// A forgotten PIN stops nobody, and a new one is set with the passphrase.
	answer, err = desk.Switch(t.Context(), &pb.SwitchRequest{Person: "J. Reed", Pin: "0000"})
	require.NoError(t, err)
	require.Equal(t, pb.ProofKind_PROOF_KIND_NONE, answer.Proof)
	require.Contains(t, answer.Text, "no proof")
	write("two")
	_, err = desk.SetPin(t.Context(), &pb.SetPinRequest{Person: "J. Reed", Pin: "1234", Passphrase: "not the passphrase"})
	require.Equal(t, codes.PermissionDenied, status.Code(err))
	_, err = desk.SetPin(t.Context(), &pb.SetPinRequest{Person: "J. Reed", Pin: "1234", Passphrase: passphrase})
	require.NoError(t, err)
	answer, err = desk.Switch(t.Context(), &pb.SwitchRequest{Person: "M. Alder"})
	require.NoError(t, err)
	require.Equal(t, pb.ProofKind_PROOF_KIND_NONE, answer.Proof)
	require.Equal(t, "M. Alder", write("three").Who)

	// What was proven stands in the records, and nothing of the PIN.
	l.stop()
	kinds := map[pb.ProofKind]int{}
	for _, run := range l.forge() {
		for _, wire := range run.Records {
			kinds[proofKind(t, wire)]++
			require.NotContains(t, string(wire), "4711")
		}
	}
	require.Equal(t, 1, kinds[pb.ProofKind_PROOF_KIND_PIN])
	require.Equal(t, 2, kinds[pb.ProofKind_PROOF_KIND_NONE])
}
