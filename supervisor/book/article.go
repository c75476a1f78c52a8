package book

import "beltwarden/supervisor/ledger"

// The first article: the first part of a job on the belt's surface, which somebody looks at before more are made. It is
// kept with the job's digest: a later lot of the same job on the same surface does not hold for it again.

// surface is the moment in the count at which the belt's surface was renewed.
type surface struct {
	checks int // in force by then: later ones are of parts on the present surface,
	made   int // if more than these were made by then
}

// surfaceRenewed makes every job's next part a first article.
func (b *Book) surfaceRenewed() {
	b.surface = surface{len(b.checks), b.made}
	clear(b.articles)
	if l := b.Lot; l != nil {
		for i := range l.article {
			l.article[i] = article{made: l.Counts[i].Made}
		}
	}
}

// article is the state of a lot's job that does not follow from the checks.
type article struct {
	made   int  // parts of the lot that were made on an earlier surface
	waived bool // the operator has continued, with a reason, while one waited
}

// takeArticle remembers a check that found a part good, if it is the first of its job on the surface.
func (b *Book) takeArticle(i int) {
	c := &b.checks[i]
	t, k := b.lots[c.LotID], jobOf(c.Check)
	if i < b.surface.checks || c.made <= b.surface.made || c.Good < 1 || t == nil || k >= len(t.digests) {
		return
	}
	if _, found := b.articles[t.digests[k]]; !found {
		b.articles[t.digests[k]] = c.Check
	}
}

// Article returns the check that found the first article of a job's file good on the present surface.
func (b *Book) Article(digest string) (ledger.Check, bool) {
	c, ok := b.articles[digest]
	return c, ok
}

// Article is the state of a job's first article in a lot.
type Article int

const (
	ArticleNone   Article = iota // the lot does not hold for it: it was found good, or is not wanted
	ArticleToMake                // the lot holds after the job's next part
	ArticleWaits                 // it is made, and no check has found it good or scrap
)

// ArticleOf returns the state of a job's first article in the newest lot. One that is found scrap is to be made again.
func (b *Book) ArticleOf(job int) Article {
	l := b.Lot
	if l == nil || !l.FirstArticle.Wanted || l.article[job].waived {
		return ArticleNone
	}
	if _, found := b.articles[l.Jobs[job].SHA256]; found {
		return ArticleNone
	}
	if n := l.Counts[job]; min(n.Made-l.article[job].made, n.NotLookedAt()) > 0 {
		return ArticleWaits
	}
	return ArticleToMake
}

// waive notes that the operator continues, with a reason, without looking at what waits.
func (b *Book) waive() {
	if b.Lot == nil {
		return
	}
	for i := range b.Lot.article {
		if b.ArticleOf(i) == ArticleWaits {
			b.Lot.article[i].waived = true
		}
	}
}

// ArticlesIn returns after how many more parts the newest lot holds for a first article, each assumed to be found good when
// it holds. first is the job of a part in progress, -1 for none.
func (b *Book) ArticlesIn(first int) (list []int) {
	l := b.Lot
	if l == nil || !l.FirstArticle.Wanted {
		return nil
	}
	state, left, wanted := make([]Article, len(l.Counts)), make([]int, len(l.Counts)), 0
	for k := range l.Counts {
		state[k], left[k] = b.ArticleOf(k), l.Counts[k].Wanted()
		wanted += left[k]
	}
	look := func(done int) { // at everything that waits
		list = append(list, done)
		for k, s := range state {
			if s == ArticleWaits {
				state[k] = ArticleNone
			}
		}
	}
	if l.Order != ledger.OrderTurn {
		done := 0
		for k, n := range left {
			if n > 0 && state[k] == ArticleWaits {
				look(done)
			}
			if n > 1 && state[k] == ArticleToMake {
				state[k] = ArticleWaits
				look(done + 1)
			}
			done += n
		}
		return list
	}
	k := l.Last + 1
	if first >= 0 {
		k = first
	}
	// In two rounds every job has had its first part and come to its second, or none is left.
	for done, step := 0, 0; step < 2*len(left) && done < wanted; step, k = step+1, k+1 {
		k %= len(left)
		if left[k] == 0 {
			continue
		}
		if state[k] == ArticleWaits {
			look(done)
		}
		if state[k] == ArticleToMake {
			state[k] = ArticleWaits
		}
		left[k]--
		done++
	}
	return list
}
