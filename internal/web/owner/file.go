package owner

import (
	"context"
	"fmt"
	"net/http"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/files"
	"thawtrail/internal/query"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// fileForm asks for a list as a file.
type fileForm struct{ Lists, Forms []site.Option }

func newFileForm() (out fileForm) {
	for _, l := range files.Lists() {
		out.Lists = append(out.Lists, site.Option{Value: l.Name, Label: words.Say("list." + l.Name)})
	}
	for _, f := range files.Formats() {
		out.Forms = append(out.Forms, site.Option{Value: string(f), Label: words.Say("form_of_file." + string(f))})
	}
	return out
}

// filters are those that the form asks for, as the lists know them.
var filters = []string{"from", "to", "place", "product", "person", "yard", "kind", "client"}

// SendFile sends a list as a file in one of its forms.
func SendFile(req *site.Request) error {
	q := req.URL.Query()
	list, err := files.Find(q.Get("list"))
	if err != nil {
		return err
	}
	as, err := files.FormatOf(q.Get("as"))
	if err != nil {
		return err
	}
	asked := map[string]string{}
	for _, name := range filters {
		asked[name] = q.Get(name)
	}
	return sendList(req, list, as, asked)
}

// sendList sends a list as it is read. What cannot be read to its end is broken off, so
// that the browser says so; what was refused before its first row is a page.
func sendList(req *site.Request, list files.List, as files.Format, asked map[string]string) error {
	file := &download{req: req, name: list.Name + "." + string(as), media: as.MediaType()}
	_, err := list.Write(req.Context(), as, files.Options{Filters: asked, Mark: func() string {
		if req.Site.Replica.Rehearsal() {
			return words.Say("rehearsal.mark")
		}
		return ""
	}}, ask(req.Site.Audit), file)
	if err != nil && file.begun {
		req.Site.Log.Error("write a file", "file", file.name, "error", err)
		panic(http.ErrAbortHandler)
	}
	if err == nil && !file.begun {
		file.begin() // a list without rows and without headings
	}
	return err
}

// download is an answer that becomes a file with its first byte.
type download struct {
	req         *site.Request
	name, media string
	begun       bool
}

func (d *download) begin() {
	d.begun = true
	d.req.W.Header().Set("Content-Type", d.media)
	d.req.W.Header().Set("Content-Disposition", `attachment; filename="`+d.req.FileName(d.name)+`"`)
}

func (d *download) Write(p []byte) (int, error) {
	if !d.begun {
		d.begin()
	}
	return d.req.W.Write(p)
}

// ask puts the questions of lists to this replica.
func ask(r query.Reader) files.Ask {
	answers := map[string]files.Ask{
		pb.AuditService_ListPlasma_FullMethodName:        by(r.ListPlasma),
		pb.StockService_ListStock_FullMethodName:         by(r.ListStock),
		pb.CaseService_ListCases_FullMethodName:          by(r.ListCases),
		pb.AuditService_ListUse_FullMethodName:           by(r.ListUse),
		pb.AuditService_ListCharges_FullMethodName:       by(r.ListCharges),
		pb.AuditService_ListCharged_FullMethodName:       by(r.ListCharged),
		pb.AuditService_ListLate_FullMethodName:          by(r.ListLate),
		pb.AuditService_ListCorrections_FullMethodName:   by(r.ListCorrections),
		pb.AuditService_ListDiscrepancies_FullMethodName: by(r.ListDiscrepancies),
		pb.AuditService_ListOverrides_FullMethodName:     by(r.ListOverrides),
	}
	return func(ctx context.Context, method string, question, answer proto.Message) error {
		if answers[method] == nil {
			return fmt.Errorf("no list is made of %s", method) // TestEveryListIsAFile
		}
		return answers[method](ctx, method, question, answer)
	}
}

// by answers a question by the method that has it.
func by[Q, A proto.Message](get func(context.Context, Q) (A, error)) files.Ask {
	return func(ctx context.Context, _ string, question, answer proto.Message) error {
		got, err := get(ctx, question.(Q))
		if err == nil {
			proto.Merge(answer, got)
		}
		return err
	}
}
