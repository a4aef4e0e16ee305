package owner

import (
	"cmp"
	"fmt"
	"time"

	"thawtrail/internal/query"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// resultsMore is what plasma did, and what followed it.
type resultsMore struct {
	By        string
	Bys       []site.Option
	Reactions []reactionRow
	Looks     int32
	NoBag     int32
	Chart     *pb.ReactionChart
	Sums      []sumRow // of the newest transfusions, the newest first
	Responses []responseRow
	Shares    site.BarChart
	Cautions  []*pb.Caution
	Sources   []string
}

// sumRow is the running sum of reactions after one transfusion.
type sumRow struct {
	At, Sum string
	Signal  bool
}

type reactionRow struct{ Group, Seen, Interval, Against, Text string }

type responseRow struct {
	Group, N, Measured, Share, Median, Rise, Failed, NotRechecked, Died string
}

// resultsBy are the ways in which results are grouped; responses know no rate.
func resultsBy() []site.Option {
	return []site.Option{
		{Value: "batch", Label: words.Say("results.by_batch")}, {Value: "product", Label: words.Say("results.by_product")},
		{Value: "donor", Label: words.Say("results.by_donor")}, {Value: "age", Label: words.Say("results.by_age")},
		{Value: "health", Label: words.Say("results.by_health")}, {Value: "rate", Label: words.Say("results.by_rate")},
	}
}

// ShowResults serves reactions and responses side by side.
func ShowResults(req *site.Request) error {
	m := &resultsMore{By: cmp.Or(req.URL.Query().Get("by"), resultsBy()[0].Value)}
	for _, by := range resultsBy() {
		by.Checked = by.Value == m.By
		m.Bys = append(m.Bys, by)
	}
	seen, err := req.Site.Audit.ListReactions(req.Context(), &pb.ListReactionsRequest{By: m.By})
	if err != nil {
		return err
	}
	m.Looks, m.NoBag, m.Chart, m.Cautions, m.Sources = seen.Looks, seen.WithoutBag, seen.Chart, seen.Cautions, seen.Sources
	zone, err := zoneOf(req)
	if err != nil {
		return err
	}
	m.Sums = sumsOf(seen.Chart, zone)
	for _, r := range seen.Rows {
		m.Reactions = append(m.Reactions, reactionWords(r))
	}
	if m.By != "rate" {
		did, err := req.Site.Audit.ListResponses(req.Context(), &pb.ListResponsesRequest{By: m.By})
		if err != nil {
			return err
		}
		m.respond(did)
	}
	return req.Render("results", words.Say("results.title"), "owner", m)
}

// sumsOf are the running sums that the picture draws.
func sumsOf(of *pb.ReactionChart, zone *time.Location) (rows []sumRow) {
	for i := len(of.GetSums()) - 1; i >= max(0, len(of.GetSums())-site.MaxSums); i-- {
		at := time.UnixMilli(of.SumsAtMs[i]).In(zone)
		rows = append(rows, sumRow{At: words.Moment(at), Sum: words.Num(of.Sums[i]), Signal: of.Sums[i] >= of.Decision})
	}
	return rows
}

// zoneOf is the practice's zone.
func zoneOf(req *site.Request) (zone *time.Location, err error) {
	err = req.Read(func(l *query.ReadView) error {
		zone = l.Zone()
		return nil
	})
	return zone, err
}

// DrawSums serves the running sum of reactions as a picture.
func DrawSums(req *site.Request) error {
	seen, err := req.Site.Audit.ListReactions(req.Context(), &pb.ListReactionsRequest{By: "product"})
	if err != nil {
		return err
	}
	zone, err := zoneOf(req)
	if err != nil {
		return err
	}
	req.SendPicture(site.SumsOverTime(seen.Chart, zone).Draw(req.ChartLook()))
	return nil
}

func reactionWords(r *pb.ReactionRow) reactionRow {
	row := reactionRow{
		Group: r.Group, Seen: fmt.Sprintf("%d / %d", r.Events, r.Trials), Text: r.Text,
		Interval: words.Say("results.between", percent(r.Low), percent(r.High)), Against: words.Say("results.alone"),
	}
	if r.PTwoSided != nil {
		row.Against = words.Say("results.p", words.Num(*r.PTwoSided))
	}
	return row
}

func (m *resultsMore) respond(did *pb.ListResponsesResponse) {
	var groups []site.BarValues
	for _, r := range did.Rows {
		row := responseRow{
			Group: r.Group, N: fmt.Sprint(r.N), Measured: fmt.Sprint(r.Measured), Failed: fmt.Sprint(r.Failed),
			NotRechecked: fmt.Sprint(r.NotRechecked), Died: fmt.Sprint(r.Died), Share: words.Say("results.unknown"), Median: words.Say("results.too_few"), Rise: words.Say("results.unknown"),
		}
		if s := r.ShareFound; s != nil {
			row.Share = words.Say("results.share", percent(s.Mid), percent(s.Low), percent(s.High))
			row.Rise = words.Say("results.rise", words.Num(r.RiseGPerL))
			groups = append(groups, site.BarValues{Name: r.Group, Values: []float64{100 * s.Mid}})
		}
		if r.MedianLow != nil && r.MedianHigh != nil {
			row.Median = words.Say("results.between", percent(*r.MedianLow), percent(*r.MedianHigh))
		}
		m.Responses = append(m.Responses, row)
	}
	m.Shares = site.DrawBars(words.Say("results.shares_alt"), []string{words.Say("results.shares_name")}, groups[:min(len(groups), site.MaxBars)])
}

func percent(share float64) string { return fmt.Sprintf("%.0f\u00a0%%", 100*share) }

// reactionTable is the file of reactions by batch.
func reactionTable(req *site.Request, add func(...string)) error {
	seen, err := req.Site.Audit.ListReactions(req.Context(), &pb.ListReactionsRequest{By: "batch"})
	for _, r := range seen.GetRows() {
		p := ""
		if r.PTwoSided != nil {
			p = fmt.Sprint(*r.PTwoSided)
		}
		add(r.Group, fmt.Sprint(r.Events), fmt.Sprint(r.Trials), fmt.Sprint(r.Low), fmt.Sprint(r.High), p)
	}
	return err
}
