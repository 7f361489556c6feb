package page

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"image"
	"image/jpeg"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"penarm/verify"
	"penarm/verify/archive/ledger"
)

// ledgerOf has n charts: each third fails, and the first carries hostile texts.
func ledgerOf(t *testing.T, n int) *ledger.Ledger {
	t.Helper()
	ctx := context.Background()
	l, err := ledger.Open(ctx, filepath.Join(t.TempDir(), "ledger.db"))
	require.NoError(t, err)
	t.Cleanup(func() { l.Close() })
	var thumbnail bytes.Buffer
	require.NoError(t, jpeg.Encode(&thumbnail, image.NewGray(image.Rect(0, 0, 8, 8)), nil))
	var charts []ledger.Chart
	for i := range n {
		f := &verify.Findings{Verdict: verify.Pass, Recorder: fmt.Sprintf("R%d", i%4), ChartDate: fmt.Sprintf("2026-%02d-%02d", i%12+1, i%28+1)}
		if i%3 == 0 {
			f.Verdict = verify.Fail
			f.Batches = []verify.Batch{{Batch: "1", Verdict: verify.Fail, Checks: []verify.Check{{Check: "hold", Verdict: verify.Fail, Counts: true}}}}
		}
		charts = append(charts, ledger.Chart{
			Name: fmt.Sprintf("north/%04d", i), Page: 1, Findings: f, Decided: "batch 1 hold",
			Extract: &ledger.Extract{Plant: "P", Thumbnail: thumbnail.Bytes(), Trace: ledger.Trace{700, ledger.NoInk, 1450}},
		})
	}
	charts[0].Name, charts[0].Decided = "north/</script><b id=bad>#?%\n", `<img src=x onerror="document.title='bad'"><!-- data -->`
	require.NoError(t, l.Put(ctx, ledger.Scan{Name: "s", File: "/s"}, charts))
	qs := []ledger.Question{{Kind: "same trace", Question: "are <i>these</i> one?", Charts: []string{charts[0].Name, charts[1].Name}}}
	for range 302 {
		qs = append(qs, ledger.Question{Kind: "no chart", Question: "where is it?"})
	}
	require.NoError(t, l.PutQuestions(ctx, qs))
	return l
}

var today = time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)

func written(t *testing.T, l *ledger.Ledger) (path, text string) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "index.html")
	require.NoError(t, Write(context.Background(), path, l, today))
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	return path, string(data)
}

func TestThePageHoldsEveryChartAndNoForeignMarkup(t *testing.T) {
	_, text := written(t, ledgerOf(t, 10))
	require.Equal(t, 2, strings.Count(text, "</script>"), "those of the page itself")
	require.NotContains(t, text, "<img src=x")
	require.NotRegexp(t, `(?i)(src|href)="?(https?:)?//`, text, "nothing is fetched")
	_, data, _ := strings.Cut(text, `id="data">`)
	data, _, _ = strings.Cut(data, "</script>")
	var all struct {
		Head struct {
			Asked     []asked           `json:"asked"`
			Questions []ledger.Question `json:"questions"`
			Traces    map[string][]any  `json:"traces"`
		} `json:"head"`
		Charts []row `json:"charts"`
	}
	require.NoError(t, json.Unmarshal([]byte(data), &all))
	require.Len(t, all.Charts, 10)
	require.Equal(t, []string{"fail", "fail", "fail", "fail", "pass"}, []string{
		all.Charts[0].Verdict, all.Charts[1].Verdict, all.Charts[2].Verdict, all.Charts[3].Verdict, all.Charts[4].Verdict})
	require.Equal(t, []string{"hold"}, all.Charts[0].Checks)
	require.Equal(t, []any{70.0, nil, 145.0}, all.Head.Traces["north/0001"])
	require.Equal(t, []asked{{"same trace", 1}, {"no chart", 302}}, all.Head.Asked)
	require.Len(t, all.Head.Questions, 301, "300 of a kind")
}

func TestAnEmptyLedgerIsAPageToo(t *testing.T) {
	l, err := ledger.Open(context.Background(), filepath.Join(t.TempDir(), "l.db"))
	require.NoError(t, err)
	defer l.Close()
	_, text := written(t, l)
	require.Contains(t, text, `"charts":[]}`)
}

// In the browser itself: 5,000 charts, a filter, and a print.
func TestInChromium(t *testing.T) {
	chromium, err := exec.LookPath("chromium")
	if err != nil {
		t.Skip("chromium is not installed")
	}
	path, text := written(t, ledgerOf(t, 5000))
	// What a person does, done by a script at the page's end; the title carries what came of it.
	const script = `<script>
const said = [charts.length, document.querySelectorAll(".chart").length, document.querySelectorAll("#bad, i").length];
document.querySelector("#tally .fail").click();
$("f-r").value = "R0"; $("f-r").onchange();
$("f-month").value = "2026-01"; $("f-month").onchange();
said.push(list.length, list.every(c => c.v === "fail" && c.r === "R0" && c.d.startsWith("2026-01")), $("shown").textContent);
$("f-text").value = "no such"; $("f-text").oninput(); said.push(list.length);
document.querySelector("#filters button").click(); said.push(list.length);
dispatchEvent(new Event("beforeprint")); said.push(document.querySelectorAll(".chart").length);
said.push($("questions").querySelector("h2").textContent, document.querySelectorAll(".ask").length, $("questions").lastChild.lastChild.textContent);
said.push(document.querySelector(".chart a").getAttribute("href"), byName.get("north/0001") ? 1 : 0);
document.body.replaceChildren(JSON.stringify(said));
</script></body>`
	require.NoError(t, os.WriteFile(path, []byte(strings.Replace(text, "</body>", script, 1)), 0o666))
	ctx, stop := context.WithTimeout(context.Background(), 2*time.Minute)
	defer stop()
	cmd := exec.CommandContext(ctx, chromium, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
		"--user-data-dir="+t.TempDir(), "--dump-dom", "file://"+path)
	out, err := cmd.Output()
	require.NoError(t, err)
	_, said, _ := strings.Cut(string(out), "<body>")
	said, _, _ = strings.Cut(said, "</body>")
	var got []any
	require.NoError(t, json.Unmarshal([]byte(strings.TrimSpace(strings.ReplaceAll(said, "&amp;", "&"))), &got), said)
	// January on R0 are the i of 0 to 4999 that 12 divides: 417, which all fail.
	require.Equal(t, []any{5000.0, 60.0, 0.0, 417.0, true, "417 of 5000, worst first", 0.0, 5000.0, 5000.0}, got[:9])
	require.Equal(t, []any{"303 questions that no single chart shows", 301.0, "and 2 more, in the ledger"}, got[9:12])
	require.Regexp(t, `^charts/north/[0-9]{4}/report\.pdf$|^charts/north/.*overlay\.jpg$`, got[12])
	require.Equal(t, 1.0, got[13])
}
