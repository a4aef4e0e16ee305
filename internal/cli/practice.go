package cli

import (
	"cmp"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"thawtrail/agent"
	"thawtrail/internal/refusal"
	"thawtrail/internal/rpc"
	"thawtrail/internal/trust/invite"
	"thawtrail/internal/trust/local"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
	pb "thawtrail/proto/thawtrail/v1"
	"thawtrail/server"
)

// ownForm is a command of our own with a data folder and what opens it.
type ownForm struct {
	data   *flagOf
	unlock *unlock
	json   *flagOf
}

func newOwnForm() *ownForm {
	return &ownForm{
		data:   &flagOf{name: "data", metavar: "DIR", help: "folder of this replica", required: true},
		unlock: newUnlock(), json: jsonFlag(),
	}
}

func (d *console) ownForm(use, short, example string, words int, more []*flagOf, run func(context.Context, *ownForm, []string) error) *cobra.Command {
	return newOwnForm().command(use, short, example, words, more, run)
}

// command builds it; words beside flags are handed on, at most one.
func (f *ownForm) command(use, short, example string, words int, more []*flagOf, run func(context.Context, *ownForm, []string) error) *cobra.Command {
	cmd := &cobra.Command{Use: use, Short: short, Example: example, DisableFlagsInUseLine: true}
	cmd.Args = func(_ *cobra.Command, typed []string) error {
		if len(typed) > words {
			return refusal.New("arguments", typed[words], fmt.Sprintf("at most %d words beside flags", words))
		}
		return nil
	}
	bindFlags(cmd.Flags(), f.data)
	bindFlags(cmd.Flags(), more...)
	bindFlags(cmd.Flags(), f.unlock.flags()...)
	bindCommon(cmd.Flags(), f.json)
	cmd.RunE = func(cmd *cobra.Command, typed []string) error {
		for _, need := range append([]*flagOf{f.data}, more...) {
			if need.required && need.text() == "" {
				return refusal.New(strings.ReplaceAll(need.name, "-", "_"), "", "--"+need.name+" "+need.metavar+": "+need.help)
			}
		}
		return run(cmd.Context(), f, typed)
	}
	return cmd
}

// tell prints an object, or the lines for people.
func (d *console) tell(f *ownForm, object any, lines ...string) error {
	if f.json.text() == "true" {
		return d.object(object)
	}
	p := newPage(d.out)
	for _, l := range lines {
		p.wrap("", l)
	}
	return nil
}

func (d *console) serverInitCommand() *cobra.Command {
	practice := &flagOf{name: "practice", metavar: metaText, help: "name of the practice", required: true}
	zone := &flagOf{name: "zone", metavar: metaText, help: "time zone, e.g. Australia/Sydney", required: true}
	owner := &flagOf{name: "owner", metavar: metaText, help: "name of the first owner", required: true}
	currency := &flagOf{name: "currency", metavar: metaText, help: "currency of costs, e.g. AUD (XXX: none)"}
	unit := &flagOf{name: "igg-unit", metavar: metaText, help: "unit in which IgG is shown: g_per_l, mg_per_dl"}
	sheet := &flagOf{name: "sheet", metavar: "FILE", help: "write the recovery sheet here in place of the screen"}
	base, form := newDatabase(), newOwnForm()
	form.unlock.keyFile.help = "a key of 32 bytes, best on other media, in place of a passphrase; made when absent"
	return form.command("init --data DIR --practice NAME", "Begin a practice on this server: books, authority, first owner",
		"server init --data /var/lib/thawtrail --practice 'Alder Creek Equine' --zone Australia/Sydney --owner 'M. Alder'", 0,
		[]*flagOf{practice, zone, owner, currency, unit, sheet, base.url},
		func(ctx context.Context, f *ownForm, _ []string) error {
			igg, err := iggUnit(unit.text())
			if err != nil {
				return err
			}
			names, err := base.open(ctx, f.data.text())
			if err != nil {
				return err
			}
			defer base.close()
			if _, err := vault.Locked(names); errors.Is(err, fs.ErrNotExist) { // nothing is closed by another key yet
				if err := f.unlock.drawKey(); err != nil {
					return err
				}
			}
			secret, err := f.unlock.secretIn(d, names)
			if err != nil {
				return err
			}
			begun, err := server.Init(ctx, server.InitConfig{
				Data: f.data.text(), Database: base.opened, Secret: secret, Practice: practice.text(), Zone: zone.text(), Currency: currency.text(), IggUnit: igg, Owner: owner.text(),
			})
			if err != nil {
				return err
			}
			return d.tellBegun(f, begun, practice.text(), sheet.text())
		})
}

func iggUnit(word string) (pb.IggUnit, error) {
	if word == "" {
		return pb.IggUnit_IGG_UNIT_UNSPECIFIED, nil
	}
	v, ok := pb.IggUnit_value["IGG_UNIT_"+strings.ToUpper(word)]
	if !ok || v == 0 {
		return 0, refusal.New("igg_unit", word, "g_per_l or mg_per_dl")
	}
	return pb.IggUnit(v), nil
}

// tellBegun shows the recovery sheet once. It is never kept on the disk unless
// that was asked for.
func (d *console) tellBegun(f *ownForm, begun server.Begun, practice, sheet string) error {
	if sheet != "" {
		if err := wholefile.Write(sheet, []byte(begun.Sheet)); err != nil {
			return err
		}
	}
	if f.json.text() == "true" {
		return d.object(map[string]string{"practice": begun.Practice, "owner": begun.Owner, "fingerprint": begun.Fingerprint})
	}
	p := newPage(d.out)
	p.wrap("", practice+" is begun. Start the server with `thawtrail server --data "+f.data.text()+"`, then let laptops in with `thawtrail server invite`.")
	if sheet == "" {
		p.line("")
		p.wrap("", "Print what follows, lock it away, and clear the screen. It is shown this once.")
		p.line("")
		for l := range strings.Lines(begun.Sheet) {
			p.line(strings.TrimRight(l, "\n"))
		}
	}
	return nil
}

// remoteOffice is the office of a running server, through its door.
type remoteOffice struct {
	pb.UnimplementedHubServiceServer
	client pb.HubServiceClient
}

func (o remoteOffice) Invite(ctx context.Context, req *pb.InviteRequest) (*pb.InviteResponse, error) {
	return o.client.Invite(ctx, req)
}

func (o remoteOffice) AdmitFile(ctx context.Context, req *pb.AdmitFileRequest) (*pb.AdmitFileResponse, error) {
	return o.client.AdmitFile(ctx, req)
}

func (o remoteOffice) RevokeDevice(ctx context.Context, req *pb.RevokeDeviceRequest) (*pb.RevokeDeviceResponse, error) {
	return o.client.RevokeDevice(ctx, req)
}

// officeForm is a command to the practice's server: at the server itself, or at an
// owner's laptop, whose agent hands it over as an order.
type officeForm struct {
	*ownForm
	at, pin *flagOf
}

func (d *console) officeForm(use, short, example string, words int, more []*flagOf, run func(context.Context, *officeForm, []string) error) *cobra.Command {
	f := &officeForm{
		ownForm: newOwnForm(),
		at:      &flagOf{name: "at", metavar: "ADDRESS", help: "without --data: the program to ask, such as an owner's agent (" + d.address + ")"},
		pin:     ownersPIN(),
	}
	f.data.required, f.data.help = false, "folder of the server, or of an owner's laptop whose agent runs"
	return f.command(use, short, example, words, append(more, f.at, f.pin), func(ctx context.Context, _ *ownForm, typed []string) error {
		if f.data.given() && f.at.given() {
			return refusal.New("at", f.at.text(), "--data DIR or --at ADDRESS, not both")
		}
		return run(ctx, f, typed)
	})
}

// ownersPIN is the PIN that goes with an order.
func ownersPIN() *flagOf {
	return secretFlag("pin-file", "the owner's PIN, on a laptop where one is set")
}

// officeDoor is the way to the program that is asked; none to a folder whose program is
// stopped.
func (d *console) officeDoor(f *officeForm) (address, target string, options []grpc.DialOption) {
	if !f.data.given() {
		address = cmp.Or(f.at.text(), d.address)
		target, options = local.Target(address)
		return address, target, options
	}
	door, err := local.OfData(f.data.text())
	if err != nil {
		return "", "", nil
	}
	target, options = door.Target()
	return door.Address, target, options
}

// pinFor gives the PIN that an order carries: the one in the file, or one that is asked
// for when the laptop wants it.
func (d *console) pinFor(given *flagOf, ask func(pin string) error) (err error) {
	pin := ""
	if given.given() {
		if pin, err = d.secretText(given, ""); err != nil {
			return err
		}
	}
	err = ask(pin)
	if r, ok := rpc.Refusal(err); ok && r.Field == "pin" && pin == "" && interactive() {
		if pin, err = askSecret(d.err, "PIN: "); err == nil {
			err = ask(pin)
		}
	}
	return err
}

// office asks the practice's server, or an owner's laptop in its place: the running
// program through its door, or a server that is stopped by opening its folder.
func (d *console) office(ctx context.Context, f *officeForm, ask func(ctx context.Context, office pb.HubServiceServer, pin string) error) error {
	if address, target, options := d.officeDoor(f); target != "" {
		conn, err := d.dial(target, options...)
		if err != nil {
			return err
		}
		defer conn.Close()
		ctx, cancel := context.WithTimeout(ctx, answerWithin)
		defer cancel()
		err = d.pinFor(f.pin, func(pin string) error { return ask(ctx, remoteOffice{client: pb.NewHubServiceClient(conn)}, pin) })
		if nobodyThere := status.Code(err) == codes.Unavailable && strings.HasPrefix(status.Convert(err).Message(), noConnection); !nobodyThere || !f.data.given() {
			return inWords(err, address)
		}
	}
	secret, err := f.unlock.secret(d, f.data.text())
	if err != nil {
		return err
	}
	return server.Office(ctx, server.Config{Data: f.data.text(), Secret: secret, Log: d.log()}, func(office pb.HubServiceServer) error {
		return ask(ctx, office, "")
	})
}

func (d *console) serverInviteCommand() *cobra.Command {
	role := &flagOf{name: "role", metavar: "WORD", help: "vet, assistant, clinic or owner; may be repeated", many: true}
	person := &flagOf{name: "person", metavar: metaText, help: "who uses the laptop: somebody known, or a new name", required: true}
	by := &flagOf{name: "by", metavar: metaText, help: "the owner who invites; the first one when left out"}
	hours := &flagOf{name: "hours", metavar: "N", help: "for how long the code holds (24)"}
	return d.officeForm("invite --person NAME", "Make a one-time code by which a laptop joins; at the server, or on an owner's laptop", "server invite --data /var/lib/thawtrail --role vet --person 'J. Reed'", 0,
		[]*flagOf{role, person, by, hours},
		func(ctx context.Context, f *officeForm, _ []string) error {
			req := &pb.InviteRequest{Person: person.text(), By: by.text()}
			for _, word := range role.texts {
				v, ok := pb.Role_value["ROLE_"+strings.ToUpper(word)]
				if !ok || v == 0 {
					return refusal.New("role", word, "vet, assistant, clinic or owner")
				}
				req.Roles = append(req.Roles, pb.Role(v))
			}
			if hours.given() {
				var n int64
				if _, err := fmt.Sscanf(hours.text(), "%d", &n); err != nil || n < 1 || n > 336 {
					return refusal.New("hours", hours.text(), "1 to 336 hours")
				}
				req.Seconds = n * 3600
			}
			var answer *pb.InviteResponse
			err := d.office(ctx, f, func(ctx context.Context, office pb.HubServiceServer, pin string) (err error) {
				req.Pin = pin
				answer, err = office.Invite(ctx, req)
				return err
			})
			if err != nil {
				return err
			}
			return d.tell(f.ownForm, map[string]any{"code": answer.Code, "person": answer.PersonName, "expires_at": answer.ExpiresAt},
				answer.Code, "For one laptop of "+answer.PersonName+", until "+until(answer.ExpiresAt)+". There: `thawtrail agent enrol CODE --server ADDRESS --data DIR`.")
		})
}

// until is the end of a time as people read it, in the zone that it was stated in: the
// practice's.
func until(stamp string) string {
	at, err := time.Parse(time.RFC3339, stamp)
	if err != nil {
		return stamp
	}
	return at.Format("2006-01-02 15:04 -07:00")
}

func (d *console) serverAdmitCommand() *cobra.Command {
	out := &flagOf{name: "out", metavar: "FILE", help: "where the answer is written", required: true}
	return d.officeForm("admit REQUEST-FILE --out FILE", "Answer a laptop that asked by a file; at the server, or on an owner's laptop", "server admit /media/stick/request --data /var/lib/thawtrail --out /media/stick/answer", 1,
		[]*flagOf{out},
		func(ctx context.Context, f *officeForm, words []string) error {
			if len(words) != 1 {
				return refusal.New("arguments", "", "the file that `thawtrail agent enrol CODE --request-file` wrote")
			}
			raw, err := d.read(words[0], invite.MaxClaimBytes+1024)
			if err != nil {
				return err
			}
			req := &pb.AdmitFileRequest{Request: &pb.EnrolRequest{}}
			if proto.Unmarshal(raw, req.Request) != nil {
				return refusal.New("arguments", words[0], "a request that a laptop wrote")
			}
			var answer *pb.AdmitFileResponse
			err = d.office(ctx, f, func(ctx context.Context, office pb.HubServiceServer, pin string) (err error) {
				req.Pin = pin
				answer, err = office.AdmitFile(ctx, req)
				return err
			})
			if err != nil {
				return err
			}
			if raw, err = proto.Marshal(answer.Response); err == nil {
				err = d.write(out.text(), raw)
			}
			if err != nil {
				return err
			}
			return d.tell(f.ownForm, map[string]string{"answer": out.text()}, "Carry "+out.text()+" to the laptop: `thawtrail agent enrol --answer-file FILE --data DIR`.")
		})
}

func (d *console) serverRevokeCommand() *cobra.Command {
	device := &flagOf{name: "device", metavar: "ID", help: "the laptop's id, as `people` lists it; the first digits are enough", required: true}
	reason := &flagOf{name: "reason", metavar: metaText, help: "why"}
	by := &flagOf{name: "by", metavar: metaText, help: "the owner who shuts it out; the first one when left out"}
	return d.officeForm("revoke --device ID", "Shut a laptop out and cut its links at once; at the server, or on an owner's laptop", "server revoke --data /var/lib/thawtrail --device 9f21 --reason 'stolen from the car'", 0,
		[]*flagOf{device, reason, by},
		func(ctx context.Context, f *officeForm, _ []string) error {
			req := &pb.RevokeDeviceRequest{Device: device.text(), Reason: reason.text(), By: by.text()}
			var answer *pb.RevokeDeviceResponse
			err := d.office(ctx, f, func(ctx context.Context, office pb.HubServiceServer, pin string) (err error) {
				req.Pin = pin
				answer, err = office.RevokeDevice(ctx, req)
				return err
			})
			if err != nil {
				return err
			}
			return d.tell(f.ownForm, map[string]any{"device": answer.Device, "name": answer.Name, "links_cut": answer.LinksCut, "record": answer.Record},
				fmt.Sprintf("%s is shut out; %s cut. What it wrote until now still counts. What it wrote since, and has not sent, stays out of the books until an owner lets it in.",
					line(answer.Name), count(int(answer.LinksCut), "open link")))
		})
}

// enrolForm is what `agent enrol` is told.
type enrolForm struct{ at, name, request, answer *flagOf }

func (d *console) agentEnrolCommand() *cobra.Command {
	e := &enrolForm{
		at:      &flagOf{name: "server", metavar: "ADDRESS", help: "the clinic's server"},
		name:    &flagOf{name: "name", metavar: metaText, help: "what people call this laptop"},
		request: &flagOf{name: "request-file", metavar: "FILE", help: "write the request here, when the server cannot be reached"},
		answer:  &flagOf{name: "answer-file", metavar: "FILE", help: "the server's answer to such a request"},
	}
	return d.ownForm("enrol CODE --server ADDRESS --data DIR", "Join a practice by a one-time code", "agent enrol 7K2M-4QPD-0XZ9-HH3T-R8WA --server clinic.example:4270 --data thawtrail-data", 1,
		[]*flagOf{e.at, e.name, e.request, e.answer},
		func(ctx context.Context, f *ownForm, words []string) error {
			code, err := e.code(words)
			if err != nil {
				return err
			}
			secret, err := f.unlock.secret(d, f.data.text())
			if err != nil {
				return err
			}
			return d.enrol(ctx, f, e, code, agent.Config{
				Data: f.data.text(), Secret: secret, Server: e.at.text(), Name: e.name.text(), Log: d.log(),
			})
		})
}

// code reads the code and checks that one way to join was told.
func (e *enrolForm) code(words []string) (code invite.Code, err error) {
	switch {
	case len(words) == 1:
		if code, err = invite.ParseCode(words[0]); err != nil {
			return code, err
		}
	case !e.answer.given():
		return code, refusal.New("arguments", "", "the one-time code that `thawtrail server invite` printed")
	}
	if !e.at.given() && !e.request.given() && !e.answer.given() {
		return code, refusal.New("server", "", "--server ADDRESS, or --request-file FILE when it cannot be reached")
	}
	return code, nil
}

func (d *console) enrol(ctx context.Context, f *ownForm, e *enrolForm, code invite.Code, cfg agent.Config) (err error) {
	var done agent.Enrolled
	switch {
	case e.request.given():
		if err := agent.RequestFile(ctx, cfg, code, e.request.text()); err != nil {
			return err
		}
		return d.tell(f, map[string]string{"request": e.request.text()}, "Carry "+e.request.text()+" to the server: `thawtrail server admit FILE --out ANSWER`. The code's time runs on meanwhile.")
	case e.answer.given():
		done, err = agent.AnswerFile(ctx, cfg, e.answer.text())
	default:
		done, err = agent.Enrol(ctx, cfg, code)
	}
	if err != nil {
		return err
	}
	return d.tell(f, done, "This laptop belongs to "+line(done.Name)+" now, for "+line(done.Person)+". Start it with `thawtrail agent --data "+f.data.text()+"`.")
}

// passphraseCommand changes what opens a folder; the data itself stays as it is.
func (d *console) passphraseCommand() *cobra.Command {
	next := newUnlock()
	next.passphrase.name, next.passphrase.help = "new-passphrase-file", "a file with the new passphrase; without one it is asked for"
	next.keyFile.name, next.keyFile.help = "new-key-file", "a key file in place of a passphrase; made when absent"
	base := newDatabase()
	return d.ownForm("passphrase --data DIR", "Change what opens a data folder", "passphrase --data thawtrail-data", 0,
		[]*flagOf{next.passphrase, next.keyFile, base.url},
		func(ctx context.Context, f *ownForm, _ []string) (err error) {
			place, done, err := base.stopped(ctx, f.data.text())
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, done()) }()
			old, err := f.unlock.secretIn(d, place.Names)
			if err != nil {
				return err
			}
			v, err := vault.Open(place.Names, old)
			if err != nil {
				return err
			}
			if err := next.drawKey(); err != nil {
				return err
			}
			secret, err := next.given(d)
			if err == nil && secret == nil {
				secret, err = d.askNewPassphrase("From now on this folder opens by another passphrase; what lies in it stays as it is.")
			}
			if err != nil {
				return err
			}
			if err := v.Change(*secret, vault.DefaultCost, rand.Reader); err != nil {
				return err
			}
			return d.tell(f, map[string]bool{"changed": true}, "Changed. Whoever kept an old copy of vault.key and knows the old passphrase can still open what they copied.")
		})
}
