package web

import (
	"fmt"
	"strconv"
	"strings"

	"tawsight/calib"
	"tawsight/internal/intake"
	"tawsight/internal/pipeline"
	"tawsight/internal/record"
)

// rulerScan is the form's value for a scan; a coin's is "coin:" and a sheet's
// "sheet:", with the name after.
const rulerScan = "scan"

// rulerChoice is a ruler that can be chosen in the form that takes photos.
type rulerChoice struct {
	Value, Text string
	Chosen      bool
}

// rulerGroup are choices under one heading.
type rulerGroup struct {
	Heading string
	Choices []rulerChoice
}

// rulerGroups are all that can be chosen besides the cards, the one named by chosen
// marked.
func rulerGroups(chosen string) []rulerGroup {
	choice := func(value string, r record.Ruler) rulerChoice {
		words := strings.TrimPrefix(r.Words(), "a whole sheet of ")
		return rulerChoice{value, strings.ToUpper(words[:1]) + words[1:], value == chosen}
	}
	sheets, coins := rulerGroup{Heading: "A whole sheet of paper under the marbles"}, rulerGroup{Heading: "Coins of one kind beside the marbles"}
	for _, n := range calib.SheetNames() {
		sheets.Choices = append(sheets.Choices, choice("sheet:"+n, record.Ruler{Sheet: n}))
	}
	for _, n := range calib.CoinNames() {
		coins.Choices = append(coins.Choices, choice("coin:"+n, record.Ruler{Coin: n}))
	}
	scans := rulerGroup{"No photo, but a scan", []rulerChoice{{rulerScan, "The glass of a flatbed scanner", chosen == rulerScan}}}
	return []rulerGroup{coins, sheets, scans}
}

// chosenRuler is the form's value for a ruler; empty where the form can't name it.
func chosenRuler(r record.Ruler) string {
	switch {
	case r.DPI != 0 || r.Scan:
		return rulerScan
	case r.Sheet != "":
		return "sheet:" + r.Sheet
	case r.Coin != "":
		return "coin:" + r.Coin
	}
	return ""
}

// askedBy reads what photos are to have their scale from, as the form says it: the
// card's long line, the ruler and a scan's dots to the inch.
func askedBy(bar, ruler, dpi string) (by intake.By, err error) {
	if by.CheckBarMM, err = checkBar(bar); err != nil {
		return by, err
	}
	kind, name, _ := strings.Cut(strings.TrimSpace(ruler), ":")
	dpi = strings.TrimSpace(strings.Replace(dpi, ",", ".", 1))
	switch kind {
	case "":
	case "coin":
		by.Ruler.Coin = name
	case "sheet":
		by.Ruler.Sheet = name
	case rulerScan:
		by.Ruler.Scan = dpi == ""
	default:
		return by, badRequest("That ruler isn’t known", "Choose one from the list, then send the photos again.")
	}
	if dpi != "" {
		const advice = "Give the number that the scanner was set to, such as 600, and choose the scan from the list; or leave the field empty."
		if kind != rulerScan {
			return by, badRequest("Dots to the inch are a scan’s, and no scan was chosen", advice)
		}
		if by.Ruler.DPI, err = strconv.ParseFloat(dpi, 64); err != nil || by.Ruler.DPI == 0 {
			return by, badRequest("That is no number of dots to the inch", advice)
		}
	}
	const several = 2
	if err := pipeline.RulersOf(by.Ruler, nil).Check(several); err != nil {
		return by, problem{status: 400, what: "That ruler can’t be used", advice: sentence(strings.TrimPrefix(err.Error(), pipeline.ErrRuler.Error()+": ")), cause: err}
	}
	return by, nil
}

// scaleText is what gave a photo its scale, in words.
func scaleText(rec record.Photo, named record.Ruler) string {
	sc := rec.Scale
	if sc.Source == "" || sc.Source == "none" {
		if named.Named() {
			return "none, so no sizes: neither the card nor what was named was found"
		}
		return "none, so no sizes: the card was not found"
	}
	text := "from " + record.SourceWords(sc.Source)
	if sc.MMPerPX != nil {
		text += fmt.Sprintf(": %.3f mm to a pixel", *sc.MMPerPX)
	}
	return text
}
