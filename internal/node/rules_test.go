package node

import (
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"
)

// The rules are evaluated here by a reader of the few forms that they have; the evaluator
// that they are written for would bring over a hundred modules into go.mod. Another form
// fails the test.

const rulesFile = "../../cmd/thawtrail/shipped/alerts.yaml"

// rule is one alert, as the file has it.
type rule struct {
	Alert, Expr string
	For         time.Duration
	Labels      struct{ Severity string }
	Annotations struct{ Summary, Description string }
}

func readRules(t *testing.T) []rule {
	t.Helper()
	raw, err := os.ReadFile(rulesFile)
	require.NoError(t, err)
	var file struct {
		Groups []struct {
			Name     string
			Interval time.Duration
			Rules    []rule
		}
	}
	d := yaml.NewDecoder(strings.NewReader(string(raw)))
	d.KnownFields(true)
	require.NoError(t, d.Decode(&file))
	require.Len(t, file.Groups, 1)
	require.Equal(t, scrapeEvery, file.Groups[0].Interval)
	return file.Groups[0].Rules
}

// form is a comparison of one metric, of its age or of how much it grew.
var form = regexp.MustCompile(`^(time\(\) - |increase\()?([a-z_]+)(?:\{([a-z]+)="([A-Za-z]+)"\})?(?:\[(\d+m)\]\))? (==|<|>) (\d+)$`)

type sample struct {
	name, labels string
	value        float64
}

// scrapeEvery is how often a monitor reads, as the head of the file says.
const scrapeEvery = 15 * time.Second

// monitor reads one replica's metrics now and then, and holds the rules against them.
type monitor struct {
	t     *testing.T
	side  *side
	rules []rule
	since map[string]time.Time // by alert and labels: when it began to hold
	all   []reading
}

type reading struct {
	at      time.Time
	samples []sample
}

func watching(t *testing.T, s *side) *monitor {
	return &monitor{t: t, side: s, rules: readRules(t), since: map[string]time.Time{}}
}

var line = regexp.MustCompile(`^([a-z_]+)(?:\{(.*)\})? (\S+)$`)

// scrape reads what the replica says over HTTP.
func (s *side) scrape(t *testing.T) (text string, out []sample) {
	t.Helper()
	srv := httptest.NewServer(metricsHandler(s.node.metrics.registry))
	defer srv.Close()
	answer, err := http.Get(srv.URL + "/metrics")
	require.NoError(t, err)
	defer answer.Body.Close()
	raw, err := io.ReadAll(answer.Body)
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, answer.StatusCode, string(raw))
	for l := range strings.Lines(string(raw)) {
		m := line.FindStringSubmatch(strings.TrimSpace(l))
		if m == nil {
			require.True(t, strings.HasPrefix(l, "#"), l)
			continue
		}
		v, err := strconv.ParseFloat(m[3], 64)
		require.NoError(t, err, l)
		out = append(out, sample{m[1], m[2], v})
	}
	return string(raw), append(out, sample{"up", `job="thawtrail"`, 1})
}

// read lets time pass as it does between two readings, and reads. It gives the alerts that
// fire.
func (m *monitor) read() (fire []string) {
	m.side.Clock.Advance(scrapeEvery)
	time.Sleep(5 * m.side.node.watchEvery) // in which it looks at least once
	_, samples := m.side.scrape(m.t)
	m.all = append(m.all, reading{m.side.Clock.Now(), samples})
	return m.firing()
}

// firing holds the rules against the newest reading.
func (m *monitor) firing() (fire []string) {
	now := m.all[len(m.all)-1].at
	for _, r := range m.rules {
		holds := m.holds(r.Expr)
		for key := range m.since {
			if alert, labels, _ := strings.Cut(key, " "); alert == r.Alert && !slices.Contains(holds, labels) {
				delete(m.since, key)
			}
		}
		for _, labels := range holds {
			key := r.Alert + " " + labels
			if _, began := m.since[key]; !began {
				m.since[key] = now
			}
			if now.Sub(m.since[key]) >= r.For && !slices.Contains(fire, r.Alert) {
				fire = append(fire, r.Alert)
			}
		}
	}
	return fire
}

// holds gives the labels of each series for which an expression is true now.
func (m *monitor) holds(expr string) (labels []string) {
	f := form.FindStringSubmatch(expr)
	require.NotNil(m.t, f, "this form of a rule is not read here: %s", expr)
	limit, err := strconv.ParseFloat(f[7], 64)
	require.NoError(m.t, err)
	now := m.all[len(m.all)-1]
	for _, s := range now.samples {
		if s.name != f[2] || f[3] != "" && !strings.Contains(","+s.labels, ","+f[3]+`="`+f[4]+`"`) {
			continue
		}
		value := s.value
		switch f[1] {
		case "time() - ":
			value = float64(now.at.Unix()) - value
		case "increase(":
			span, err := time.ParseDuration(f[5])
			require.NoError(m.t, err)
			value = m.grown(s, now.at.Add(-span))
		}
		if f[6] == "==" && value == limit || f[6] == "<" && value < limit || f[6] == ">" && value > limit {
			labels = append(labels, s.labels)
		}
	}
	return labels
}

// grown is by how much a counter grew since a moment. One that was not there had not begun.
func (m *monitor) grown(s sample, since time.Time) float64 {
	for _, r := range m.all {
		if r.at.Before(since) {
			continue
		}
		for _, was := range r.samples {
			if was.name == s.name && was.labels == s.labels {
				return s.value - was.value
			}
		}
		return s.value
	}
	return 0
}
