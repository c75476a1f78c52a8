package supervisor

import (
	"fmt"
	"strings"

	"beltwarden/supervisor/book"
	"beltwarden/supervisor/ledger"
)

// needFirstArticle: the first part of a job on this belt's surface waits to be looked at. It ends when a
// check finds it good. Found scrap, the job's next part is a first article again.
var needFirstArticle = Need{
	Code: CauseFirstArticle, Name: "first article", Headline: "first part to look at", Ends: EndsByCheck,
	Do:     "Look at the first part: its length along the belt, its first layer, whether it came off clean, and where it lies.",
	Remedy: "look at the first part; record what you found", Command: "beltwarden check --good 1 --length-mm MM",
	Bring: []string{"caliper", "rule for the belt's edge"},
	due: func(m *Machine) (int, string, bool) {
		list := m.articlesIn()
		if len(list) == 0 {
			return 0, "", false
		}
		return list[0], m.articleText(), true
	},
	again: func(m *Machine) []int { return m.articlesIn() },
}

// articlesIn is after how many more parts the lot holds for a first article.
func (m *Machine) articlesIn() []int {
	if !m.set.FirstArticle {
		return nil
	}
	making := -1
	if c := m.cycle; c != nil && !c.made && m.lot != nil && c.lot == m.lot {
		making = c.job
	}
	return m.book.ArticlesIn(making)
}

// articleText describes which first article is next, or waits.
func (m *Machine) articleText() string {
	var wait, make []string
	for k, j := range m.lot.Jobs {
		switch m.book.ArticleOf(k) {
		case book.ArticleWaits:
			wait = append(wait, j.Name)
		case book.ArticleToMake:
			make = append(make, j.Name)
		}
	}
	if len(wait) > 0 {
		return fmt.Sprintf("first article of %s: no part of it was found good on this belt surface yet; look at its length along the belt, its first layer, "+
			"whether it came off clean and where it lies", strings.Join(wait, " and "))
	}
	return fmt.Sprintf("first article of %s: no part of it was found good on this belt surface yet", strings.Join(make, " and "))
}

// checkArticle refuses to continue a hold while a first article waits, whatever the hold was for: a
// check that says nothing of the part does not end it.
func (m *Machine) checkArticle(what string, r Request) error {
	if list := m.articlesIn(); r.Override == "" && len(list) > 0 && list[0] == 0 {
		return refusalOf(what, Cause{CauseFirstArticle, m.articleText()}, "")
	}
	return nil
}

// orderArticle records whether a lot holds for first articles, and describes what is known of each job.
func (m *Machine) orderArticle(q *LotRequest, by string) {
	l := m.lot
	switch {
	case !m.set.FirstArticle:
		return
	case q.NoFirstArticle != "":
		m.record(ledger.FirstArticle{LotID: l.ID, Why: q.NoFirstArticle, By: by})
		m.note("lot", fmt.Sprintf("lot %d does not hold for a first article: %s", l.ID, q.NoFirstArticle))
		m.out.Result.Text += "; it does not hold for a first article: " + q.NoFirstArticle
		return
	}
	m.record(ledger.FirstArticle{LotID: l.ID, Wanted: true, By: by})
	for k, j := range l.Jobs {
		if c, good := m.book.Article(j.SHA256); good {
			m.out.Result.Text += fmt.Sprintf("; the first article of %s was found good: check %d, %s", j.Name, c.ID, checkText(c))
		} else if l.Counts[k].Ordered > 1 {
			m.out.Result.Text += fmt.Sprintf("; it holds after the first part of %s", j.Name)
		}
	}
}

// ArticleView is the first article of a job in a lot.
type ArticleView struct {
	// State is to_make: the lot holds after the job's next part; waits: it is made and was not looked at;
	// good: a check found it good; none: the lot does not hold for it.
	State string `json:"state"`
	Why   string `json:"why,omitempty"` // the reason for which the lot does without
	// CheckID and the others are of the check that found it good, in this lot or an earlier one.
	CheckID   int64     `json:"check,omitempty"`
	LotID     int64     `json:"lot,omitempty"`
	LengthsMM []float64 `json:"lengths_mm,omitempty"`
	OffsetMM  *float64  `json:"offset_mm,omitempty"`
	Note      string    `json:"note,omitempty"`
	By        string    `json:"by,omitempty"`
}

// articleView returns the first article of a job for the snapshot, nil if the lot was opened without.
func (m *Machine) articleView(k int) *ArticleView {
	l := m.lot
	if !m.set.FirstArticle || l.FirstArticle.LotID == 0 {
		return nil
	}
	v := &ArticleView{State: "none", Why: l.FirstArticle.Why}
	c, good := m.book.Article(l.Jobs[k].SHA256)
	switch m.book.ArticleOf(k) {
	case book.ArticleToMake:
		v.State = "to_make"
	case book.ArticleWaits:
		v.State = "waits"
	default:
		if good {
			v.State = "good"
		}
	}
	if good {
		v.CheckID, v.LotID, v.LengthsMM, v.OffsetMM, v.Note, v.By = c.ID, c.LotID, c.LengthsMM, c.OffsetMM, c.Note, c.By
	}
	return v
}
