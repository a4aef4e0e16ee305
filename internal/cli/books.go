package cli

import (
	"context"
	"crypto/rand"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"

	"thawtrail/agent"
	"thawtrail/internal/bundle"
	"thawtrail/internal/refusal"
	"thawtrail/internal/replica"
	"thawtrail/internal/replication"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/local"
	"thawtrail/internal/wholefile"
	pb "thawtrail/proto/thawtrail/v1"
	"thawtrail/server"
)

// carrier is the running program on a folder; nil when none runs there.
func (d *console) carrier(data string) (pb.CarryServiceClient, string, func(), error) {
	conn, address, done, err := d.door(data)
	if conn == nil {
		return nil, "", done, err
	}
	return pb.NewCarryServiceClient(conn), address, done, nil
}

// door is the way to the running program on a folder; nil when none runs there.
func (d *console) door(data string) (*grpc.ClientConn, string, func(), error) {
	door, err := local.OfData(data)
	if err != nil {
		return nil, "", func() {}, nil
	}
	target, options := door.Target()
	conn, err := d.dial(target, options...)
	if err != nil {
		return nil, "", nil, err
	}
	return conn, door.Address, func() { _ = conn.Close() }, nil
}

func oneFile(words []string) (string, error) {
	if len(words) != 1 {
		return "", refusal.New("arguments", strings.Join(words, " "), "the name of one file")
	}
	return words[0], nil
}

func (d *console) booksWriteCommand() *cobra.Command {
	id := &flagOf{name: "case", metavar: "CASE", help: "a running case that is handed over with the file"}
	return d.ownForm("write FILE --data DIR", "Write all records into a file that a code opens, to be carried by hand",
		"books write /media/stick/books --data thawtrail-data", 1, []*flagOf{id},
		func(ctx context.Context, f *ownForm, words []string) error {
			path, err := oneFile(words)
			if err != nil {
				return err
			}
			var last *pb.WriteBooksResponse
			err = d.fill(path, func(to io.Writer) (err error) {
				last, err = d.writeBooks(ctx, f, to, id.text())
				return err
			})
			if err != nil {
				return err
			}
			lines := []string{last.Code, fmt.Sprintf("This code opens %s, and nothing else does; it is shown this once. Carry it apart from the file. %s written.", path, count(int(last.Records), "record"))}
			for _, o := range last.Omitted {
				lines = append(lines, "Not in the file: "+o)
			}
			return d.tell(f, map[string]any{"file": path, "code": last.Code, "records": last.Records, "omitted": append([]string{}, last.Omitted...)}, lines...)
		})
}

func (d *console) writeBooks(ctx context.Context, f *ownForm, to io.Writer, id string) (*pb.WriteBooksResponse, error) {
	client, address, done, err := d.carrier(f.data.text())
	if err != nil {
		return nil, err
	}
	defer done()
	if client != nil {
		stream, err := client.WriteBooks(ctx, &pb.WriteBooksRequest{Case: id})
		for err == nil {
			var m *pb.WriteBooksResponse
			if m, err = stream.Recv(); err == nil && len(m.Data) == 0 {
				return m, nil
			}
			if err == nil {
				_, err = to.Write(m.Data)
			}
		}
		return nil, inWords(err, address)
	}
	out := &pb.WriteBooksResponse{}
	err = d.stopped(ctx, f, func(r *replica.Replica) error {
		code, err := bundle.NewCode(rand.Reader)
		if err != nil {
			return err
		}
		out.Code = code.Text()
		wrote, err := (replication.Bundles{Replica: r}).Write(ctx, to, code, id)
		out.Records, out.Omitted = wrote.Records, wrote.Omitted
		return err
	})
	return out, err
}

// stopped opens the folder of a program that does not run.
func (d *console) stopped(ctx context.Context, f *ownForm, fn func(*replica.Replica) error) error {
	secret, err := f.unlock.secret(d, f.data.text())
	if err != nil {
		return err
	}
	return agent.Books(ctx, agent.Config{Data: f.data.text(), Secret: secret, Log: d.log()}, fn)
}

func (d *console) booksReadCommand() *cobra.Command {
	code := codeFlag()
	return d.ownForm("read FILE --code CODE --data DIR", "Take the records of such a file: what is new and verifies is saved",
		"books read /media/stick/books --code 7K2M-4QPD-0XZ9-HH --data thawtrail-data", 1, []*flagOf{code},
		func(ctx context.Context, f *ownForm, words []string) error {
			path, err := oneFile(words)
			if err != nil {
				return err
			}
			opens, err := bundle.ParseCode(code.text())
			if err != nil {
				return err
			}
			file, err := openFile("arguments", path)
			if err != nil {
				return err
			}
			defer file.Close()
			answer, err := d.readBooks(ctx, f, file, opens)
			if err != nil {
				return err
			}
			return d.tellRead(f, answer)
		})
}

func codeFlag() *flagOf {
	return &flagOf{name: "code", metavar: "CODE", help: "the code that stood on the screen when the file was written", required: true}
}

func (d *console) readBooks(ctx context.Context, f *ownForm, file *os.File, code bundle.Code) (*pb.ReadBooksResponse, error) {
	client, address, done, err := d.carrier(f.data.text())
	if err != nil {
		return nil, err
	}
	defer done()
	if client != nil {
		answer, err := sendBooks(ctx, client, file, code)
		return answer, inWords(err, address)
	}
	var out *pb.ReadBooksResponse
	err = d.stopped(ctx, f, func(r *replica.Replica) error {
		read, err := (replication.Bundles{Replica: r}).Read(ctx, file, code)
		if err == nil {
			out = read.PB()
		}
		return err
	})
	return out, err
}

func sendBooks(ctx context.Context, client pb.CarryServiceClient, file io.Reader, code bundle.Code) (*pb.ReadBooksResponse, error) {
	stream, err := client.ReadBooks(ctx)
	if err != nil {
		return nil, err
	}
	for first := true; ; first = false {
		m := &pb.ReadBooksRequest{Data: make([]byte, 256<<10)}
		if first {
			m.Code = code.Text()
		}
		n, err := io.ReadFull(file, m.Data)
		m.Data = m.Data[:n]
		if n > 0 || first {
			if stream.Send(m) != nil {
				break // the answer says why
			}
		}
		if err != nil {
			break
		}
	}
	return stream.CloseAndRecv()
}

func (d *console) tellRead(f *ownForm, answer *pb.ReadBooksResponse) error {
	if f.json.text() == "true" {
		raw, err := protojson.MarshalOptions{UseProtoNames: true, EmitUnpopulated: true}.Marshal(answer)
		if err != nil {
			return err
		}
		return d.printJSON(raw)
	}
	p := newPage(d.out)
	p.wrap("", fmt.Sprintf("%s, of %d in the file that %q wrote at %s, are new here and saved.", count(int(answer.RecordsNew), "record"), answer.Records, line(answer.WrittenBy), answer.WrittenAt))
	if answer.Case != "" {
		p.wrap("", "It hands over case "+line(answer.Case)+". Take it over here with `thawtrail takeover "+line(answer.Case)+"`.")
	}
	for _, gap := range answer.Lacking {
		p.hang("  - ", "    ", line(gap)+"; another laptop may have them")
	}
	for _, aside := range answer.SetAside {
		p.hang("  - ", "    ", "not taken: "+line(aside))
	}
	return nil
}

// restoreCommand is serverRestoreCommand with a backup, which the sheet alone opens.
func (d *console) restoreCommand() *cobra.Command {
	r := newRestoreFlags()
	return d.ownForm("restore FILE --data NEWDIR --sheet FILE", "Make a lost server anew from a backup and the recovery sheet",
		"restore /media/stick/clinic.books --data /var/lib/thawtrail --sheet -", 1, []*flagOf{r.sheet, r.code, r.name, r.base.url},
		func(ctx context.Context, f *ownForm, words []string) error {
			path, err := oneFile(words)
			if err != nil {
				return err
			}
			return d.restore(ctx, f, r, "arguments", path)
		})
}

// restoreFlags are what a server is made anew with, beside the file.
type restoreFlags struct {
	sheet, code, name *flagOf
	base              *database
}

func newRestoreFlags() restoreFlags {
	return restoreFlags{
		base:  newDatabase(),
		sheet: &flagOf{name: "sheet", metavar: "FILE", help: "the recovery sheet's five rows as they were typed; - asks for them here", required: true},
		code:  &flagOf{name: "code", metavar: "CODE", help: "the code of a file that a laptop wrote; what the server saved opens with the sheet"},
		name:  &flagOf{name: "name", metavar: metaText, help: "what people call this machine (clinic)"},
	}
}

func (d *console) serverRestoreCommand() *cobra.Command {
	r := newRestoreFlags()
	books := &flagOf{name: "books", metavar: "FILE", help: "a file that `thawtrail books write` wrote on a laptop, or a backup", required: true}
	return d.ownForm("restore --data NEWDIR --sheet FILE --books FILE --code CODE", "Make a lost server anew from the recovery sheet and a laptop's books",
		"server restore --data /var/lib/thawtrail --sheet - --books /media/stick/books --code 7K2M-4QPD-0XZ9-HH", 0,
		[]*flagOf{r.sheet, books, r.code, r.name, r.base.url},
		func(ctx context.Context, f *ownForm, _ []string) error {
			return d.restore(ctx, f, r, "books", books.text())
		})
}

// restore makes a server anew from a file at path, which a field named.
func (d *console) restore(ctx context.Context, f *ownForm, r restoreFlags, field, path string) (err error) {
	var opens bundle.Code
	if r.code.given() {
		if opens, err = bundle.ParseCode(r.code.text()); err != nil {
			return err
		}
	}
	text, err := d.readSheet(r.sheet.text())
	if err != nil {
		return err
	}
	key, err := authority.FromSheet(text)
	if err != nil {
		return err
	}
	if !r.code.given() {
		if opens, err = bundle.CodeOf(authority.BackupSecret(key)); err != nil {
			return err
		}
	}
	file, err := openFile(field, path)
	if err != nil {
		return err
	}
	defer file.Close()
	names, err := r.base.open(ctx, f.data.text())
	if err != nil {
		return err
	}
	defer r.base.close()
	secret, err := f.unlock.secretIn(d, names)
	if err != nil {
		return err
	}
	done, err := server.Restore(ctx, server.RestoreConfig{Data: f.data.text(), Database: r.base.opened, Secret: secret, Name: r.name.text(), Key: key, Books: file, Code: opens})
	if err != nil {
		return err
	}
	return d.tellRestored(f, done)
}

// maxSheet bounds what is typed from a recovery sheet.
const maxSheet = 8 << 10

// readSheet reads the rows from a file, or asks for them one by one: who sits at
// the keyboard is told of a slip before the next row.
func (d *console) readSheet(path string) (string, error) {
	if path != "-" {
		raw, err := wholefile.Read(path, maxSheet)
		if err != nil {
			return "", refusal.New("sheet", path, "a file with the five rows, or - to type them here").Because(err.Error())
		}
		return string(raw), nil
	}
	if !interactive() {
		raw, err := io.ReadAll(io.LimitReader(os.Stdin, maxSheet))
		return string(raw), err
	}
	var rows strings.Builder
	for n := 1; n <= authority.SheetRows; {
		text, err := askSecret(d.err, fmt.Sprintf("Row %d, 14 characters (they do not show): ", n))
		if err != nil {
			return "", err
		}
		if _, err := authority.SheetRow(n, text); err != nil {
			fmt.Fprintln(d.err, line(err.Error()))
			continue
		}
		fmt.Fprintf(&rows, "%d %s\n", n, text)
		n++
	}
	return rows.String(), nil
}

func (d *console) tellRestored(f *ownForm, done server.Restored) error {
	if f.json.text() == "true" {
		return d.object(map[string]any{
			"ok": len(done.SetAside) == 0, "bytes": done.Bytes, "practice": done.Practice, "records": done.Records, "laptops": append([]string{}, done.Laptops...),
			"shut_out": append([]string{}, done.ShutOut...), "lacking": append([]string{}, done.Lacking...),
		})
	}
	p := newPage(d.out)
	p.wrap("", fmt.Sprintf("This machine is the server of %s now, with %s from %q. Start it with `thawtrail server --data %s`. Its laptops need not join again; each brings what these books lack.",
		line(done.Practice), count(int(done.Records), "record"), line(done.Head.DeviceName), f.data.text()))
	list := func(title string, names []string) {
		p.line("")
		p.wrap("", title)
		for _, n := range names {
			p.hang("  - ", "    ", line(n))
		}
	}
	list("Laptops that it lets in:", done.Laptops)
	const again = "If one is missing here that was shut out, shut it out again before you start the server (`thawtrail server revoke`)"
	if len(done.ShutOut) > 0 {
		list("Laptops that it keeps out. "+again+":", done.ShutOut)
	} else {
		list("It keeps no laptop out. "+again+".", nil)
	}
	if len(done.Lacking) > 0 {
		list("Not in these books; another laptop may have them:", done.Lacking)
	}
	return nil
}
