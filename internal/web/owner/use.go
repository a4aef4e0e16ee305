package owner

import (
	"fmt"

	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// UseChart draws bags given and thrown away by the chosen grouping.
func UseChart(req *site.Request) error {
	out, err := req.Site.Audit.ListUse(req.Context(), &pb.ListUseRequest{By: req.URL.Query().Get("by")})
	if err != nil {
		return err
	}
	var labels []string
	given, wasted := []float64{}, []float64{}
	for _, r := range out.Rows[max(0, len(out.Rows)-site.MaxBars):] {
		labels = append(labels, fmt.Sprintf("%.18s", r.Group))
		given, wasted = append(given, float64(r.Given)), append(wasted, float64(r.Discarded+r.Missing))
	}
	return req.Bars(labels, [][]float64{given, wasted}, []string{words.Say("chart.given"), words.Say("chart.wasted")})
}
