package cli

import (
	"context"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"thawtrail/internal/event"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// secretFlag is a file with a secret; without it the secret is asked for, so that
// it stands in no list of processes and no shell's history.
func secretFlag(name, what string) *flagOf {
	return &flagOf{name: name, metavar: "FILE", help: "a file with " + what + "; without one it is asked for"}
}

// secretText reads the first line of the flag's file, or asks.
func (d *console) secretText(f *flagOf, prompt string) (string, error) {
	if !f.given() {
		return askSecret(d.err, prompt)
	}
	raw, err := d.read(f.text(), 4096)
	line, _, _ := strings.Cut(string(raw), "\n")
	return strings.TrimSuffix(line, "\r"), err
}

func (d *console) pinCommand() *cobra.Command {
	pin := secretFlag("pin-file", "the new PIN")
	old := secretFlag("old-pin-file", "the PIN until now")
	forgotten := secretFlag("passphrase-file", "the laptop's passphrase, when the PIN is forgotten")
	cmd := &cobra.Command{
		Use: "set PERSON", Short: "Set your PIN on this laptop, 4 to 12 digits", Example: "pin set 'J. Reed'",
		Args: oneWord("the name of the person"), DisableFlagsInUseLine: true,
	}
	bindFlags(cmd.Flags(), pin, old, forgotten)
	l := d.bindLink(cmd.Flags())
	cmd.RunE = func(cmd *cobra.Command, words []string) (err error) {
		req := &pb.SetPinRequest{Person: words[0]}
		if req.Pin, err = d.secretText(pin, "New PIN: "); err != nil {
			return err
		}
		switch {
		case forgotten.given():
			req.Passphrase, err = d.secretText(forgotten, "")
		case old.given() || interactive():
			req.OldPin, err = d.secretText(old, "PIN until now (Enter when there is none): ")
		}
		if err != nil {
			return err
		}
		answer := &pb.SetPinResponse{}
		if err := l.call(cmd.Context(), pb.PinService_SetPin_FullMethodName, req, answer); err != nil {
			return err
		}
		return d.answer(l.json, answer)
	}
	return cmd
}

func (d *console) pinListCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use: "list", Short: "Who has a PIN on this machine, and who types here now", Example: "pin list",
		Args: noArgs, DisableFlagsInUseLine: true,
	}
	l := d.bindLink(cmd.Flags())
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		answer := &pb.ListPinsResponse{}
		if err := l.call(cmd.Context(), pb.PinService_ListPins_FullMethodName, &pb.ListPinsRequest{}, answer); err != nil {
			return err
		}
		return d.answer(l.json, answer)
	}
	return cmd
}

// askPIN asks at a terminal for the PIN that an act wants, where anybody has one.
// Enter goes on without.
func (l *link) askPIN(ctx context.Context, spec *event.Spec, req *pb.WriteRequest) (err error) {
	if req.Pin != "" || !interactive() || !spec.Rule.GetAsksPin() && len(req.Overrides) == 0 {
		return nil
	}
	set := &pb.ListPinsResponse{}
	if err := l.call(ctx, pb.PinService_ListPins_FullMethodName, &pb.ListPinsRequest{}, set); err != nil {
		return err
	}
	if slices.ContainsFunc(set.Pins, func(p *pb.PinRow) bool { return p.PinSet }) {
		req.Pin, err = askSecret(l.d.err, "PIN (Enter to go on without): ")
	}
	return err
}

func (d *console) switchCommand() *cobra.Command {
	pin := secretFlag("pin-file", "the PIN")
	without := &flagOf{name: "without-pin", metavar: metaSwitch, help: "go on without; entries then say 'no proof'"}
	cmd := &cobra.Command{
		Use: "switch PERSON", Short: "Say who types on this laptop from now on", Example: "switch 'J. Reed'",
		Args: oneWord("the name of the person"), DisableFlagsInUseLine: true,
	}
	bindFlags(cmd.Flags(), pin, without)
	l := d.bindLink(cmd.Flags())
	cmd.RunE = func(cmd *cobra.Command, words []string) (err error) {
		req := &pb.SwitchRequest{Person: words[0]}
		if pin.given() && without.given() {
			return refusal.New("pin_file", pin.text(), "--pin-file or --without-pin, not both")
		}
		if !without.given() {
			if req.Pin, err = d.secretText(pin, "PIN (Enter to go on without): "); err != nil {
				return err
			}
		}
		answer := &pb.SwitchResponse{}
		if err := l.call(cmd.Context(), pb.PinService_Switch_FullMethodName, req, answer); err != nil {
			return err
		}
		return d.answer(l.json, answer)
	}
	return cmd
}
