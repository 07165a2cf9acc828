// Package quality says when a photo is too poor to judge. It turns what
// packages calib and vision measure into flags with plain words and advice,
// and flags into verdicts. Every limit stands here, once, by name, with its
// meaning and the reason for its value.
package quality

import "tawsight/internal/record"

// Limit is a value past which a flag is raised.
type Limit struct {
	Code     string          // the flag
	Severity record.Severity // what passing it means
	Value    float64
	Unit     string // empty for a pure number
	Below    bool   // raised below the value rather than above it
	Meaning  string // what is compared
	Reason   string // why this value
}

func (l Limit) passed(v float64) bool {
	if l.Below {
		return v < l.Value
	}
	return v > l.Value
}

const (
	ribbonReason = "ribbons on old machine-made marbles are mostly 1 to 2 mm wide, fine ones from 0.6 mm (common practice)"
	tolerance    = "colours may err by 6 dE00 where they are called good"
)

// The limits. To argue with one, read its reason.
var (
	BlurWarn = Limit{"out-of-focus", record.Warn, 0.30, "mm", false,
		"standard deviation of the blur, on the card's plane",
		"a blur of s washes out ribbons narrower than about 2 s, so 0.3 mm loses fine ribbons; " + ribbonReason}
	BlurFail = Limit{"out-of-focus", record.Fail, 0.80, "mm", false, BlurWarn.Meaning,
		"2 s is 1.6 mm: most ribbons are gone; " + ribbonReason}
	BlurShare = Limit{"out-of-focus", record.Fail, 0.004, "of the picture's longer side", false, "standard deviation of the blur, where neither card nor marbles give a scale", "1/250: a tray 400 mm wide that fills the picture is then blurred by 1.6 mm, twice what ends all judging of ribbons by the card; no smaller copy of the photo could be sharp"}
	ShakeWarn = Limit{"camera-shake", record.Warn, 0.30, "mm", false,
		"standard deviation of the blur along its longest direction (a smear of length l has l / 3.46)", BlurWarn.Reason}
	ShakeFail    = Limit{"camera-shake", record.Fail, 0.80, "mm", false, ShakeWarn.Meaning, BlurFail.Reason}
	ShakeRatio   = Limit{"camera-shake", record.Warn, 1.5, "", false, "the blur's longest over its shortest standard deviation, from which it is called shake", "a lens out of focus blurs evenly to within a fifth, tilted views included; from 1.5 the smear's own variance exceeds that of all other blur"}
	UnderWarn    = Limit{"under-exposed", record.Warn, 0.15, "of full scale", true, "linear light recorded of white paper", "there, one step of 8-bit sRGB is 1 L* on dark glass of L* 20 once brightened: (0.0299 Y) has a slope of 10.3, so a code is 8.5 % of it"}
	UnderFail    = Limit{"under-exposed", record.Fail, 0.04, "of full scale", true, UnderWarn.Meaning, "there, one step is 3 L* on dark glass: on the linear part of sRGB a code is 3.0e-4, a quarter of 0.0299 Y"}
	OverWarn     = Limit{"over-exposed", record.Warn, 0.05, "share", false, "open paper at full scale in some channel", "paper is never the brightest thing that matters: where even a twentieth of it is at full scale, white glass beside it has been lost"}
	OverFail     = Limit{"over-exposed", record.Fail, 0.50, "share", false, OverWarn.Meaning, "half of the paper is at full scale, so all that is lighter than it is lost, and how the light falls can't be read"}
	BurntWarn    = Limit{"over-exposed", record.Warn, 0.15, "share", false, "faces of the marbles at full scale in some channel (median of the marbles)", "reflections of lamps and windows cover up to a tenth; past that it is the glass itself whose colour is lost, on half of the marbles"}
	BurntFail    = Limit{"over-exposed", record.Fail, 0.50, "share", false, BurntWarn.Meaning, "of half of the marbles more is burnt out than not"}
	CastWarn     = Limit{"colour-cast", record.Warn, 2.0, "dE00", false, "median error that balancing leaves over all colours, from the recorded white", "2 is a difference seen at a glance side by side (common practice), and a third of what is allowed: " + tolerance}
	CastFail     = Limit{"colour-cast", record.Fail, 6.0, "dE00", false, CastWarn.Meaning, tolerance}
	MixedWarn    = Limit{"mixed-light", record.Warn, 12, "a*b* units", false, "largest difference of the light's colour between two places of the paper", "paper evens out what it shows, but a marble gathers light from all sides, so half of the range may stay on it; " + tolerance}
	MixedFail    = Limit{"mixed-light", record.Fail, 30, "a*b* units", false, MixedWarn.Meaning, "half of it is more than twice what is allowed: " + tolerance}
	UnevenWarn   = Limit{"uneven-light", record.Warn, 2.56, "times", false, "brightest over darkest light on open paper", "uneven light is corrected up to 1.6 times lighter and darker than where white was read, 1.6 x 1.6 in all; past that colours read dark or light"}
	UnevenFail   = Limit{"uneven-light", record.Fail, 8, "times", false, UnevenWarn.Meaning, "three stops: the dark side has an eighth of the light, and an eighth of a good exposure is under-exposed"}
	NoiseWarn    = Limit{"noisy", record.Warn, 0.03, "of full scale", false, "standard deviation of a pixel's encoded value on open paper", "3 L*: a faint ribbon differs from its glass by about 6 L*, two standard deviations"}
	NoiseFail    = Limit{"noisy", record.Fail, 0.10, "of full scale", false, NoiseWarn.Meaning, "10 L*: even a usual ribbon, 20 L* from its glass, is two standard deviations"}
	JPEGWarn     = Limit{"heavy-compression", record.Warn, 25, "quality", true, "libjpeg's quality setting, from the quantisation tables", "steps are twice those of ITU-T T.81 annex K; the coefficients of a ribbon 4 px wide and 20 L* from its glass (about 60) fall below half a step"}
	JPEGFail     = Limit{"heavy-compression", record.Fail, 10, "quality", true, JPEGWarn.Meaning, "steps are five times the annex's: even ribbons 8 px wide fall below half a step"}
	ChromaStep   = Limit{"heavy-compression", record.Warn, 8, "codes", false, "step to which a block's mean colour is rounded", "half a step, 4 codes of Cb or Cr, is 3 to 6 units of a*b*; " + tolerance}
	SquareWarn   = Limit{"card-too-small", record.Warn, 12, "px", true, "side of a chessboard square", "corners are found by windows of at least 5 px each side, which must not reach the next corner"}
	TiltWarn     = Limit{"too-oblique", record.Warn, 45, "degrees", false, "camera's axis from straight down", "a marble's far side shows foreshortened by more than 1.4, and marbles hide those behind them from 45 degrees on when they touch"}
	TiltFail     = Limit{"too-oblique", record.Fail, 70, "degrees", false, TiltWarn.Meaning, "the card is foreshortened three times, and each marble hides the next even at a diameter's distance"}
	PixelsWarn   = Limit{"too-few-pixels", record.Warn, 2.5, "px per mm", true, "pixels a millimetre (a 16 mm marble 40 px across)", "two pixels a line is the least that shows it (Nyquist): a ribbon of 0.8 mm; " + ribbonReason}
	PixelsFail   = Limit{"too-few-pixels", record.Fail, 1.25, "px per mm", true, PixelsWarn.Meaning, "two pixels span 1.6 mm: most ribbons are gone; " + ribbonReason}
	BowWarn      = Limit{"card-bent", record.Warn, 0.04, "mm", false, "smooth part of the corners' displacement from a flat card (rms)", "what a card bowed by 2 mm shows from 300 mm above; the scale is then off by 2 / 300, 0.1 mm on a 16 mm marble"}
	BowFail      = Limit{"card-bent", record.Fail, 0.16, "mm", false, BowWarn.Meaning, "a bow of 8 mm: sizes are off by 1/64 inch, the step by which the trade sorts"}
	StraysWarn   = Limit{"card-hidden", record.Warn, 1, "corners", false, "corners that lie apart from all others", "one may be a speck; two and more are something lying on the card"}
	TextureWarn  = Limit{"busy-background", record.Warn, 0.10, "share", false, "contrast of the background beyond smooth light and noise (robust standard deviation)", "clear glass differs from paper by about a tenth at its rim: a background that varies by as much has such edges everywhere"}
	SheetWarn    = Limit{"busy-background", record.Warn, 0.55, "share", true, "open picture that fits one smooth sheet", "with less than about half, what counts as paper and what as object is a toss-up"}
	TintWarn     = Limit{"busy-background", record.Warn, 15, "C*", false, "chroma of the background under the card's white", "clear glass shows the paper behind it: from a chroma of about 15 colours have a name of their own rather than a greyish one (Kelly, NBS SP 440), and a clear base would be given it"}
	SizeWarn     = Limit{"", record.Warn, 0.40, "mm", false, "half-width of the diameters' 95 % interval, lower quartile of the photo's marbles", "1/64 inch, the trade's step: past it not even the best seen marbles are sure to within a step. The quartile, because a photo's faults (blur, tilt, a far camera) widen all intervals, and a glass's own faintness its own"}
	SizeFail     = Limit{"", record.Fail, 0.80, "mm", false, SizeWarn.Meaning, "1/32 inch: the interval spans four of the trade's steps, and the size classes run together"}
	OwnSizeWarn  = Limit{"", record.Warn, 0.20, "mm", false, "half-width of one marble's 95 % interval", "half of 1/64 inch: past it the interval holds more than one of the trade's steps"}
	OwnSizeFail  = Limit{"", record.Fail, 0.80, "mm", false, OwnSizeWarn.Meaning, SizeFail.Reason}
	GlareWarn    = Limit{"glare", record.Warn, 0.15, "share", false, "face under mirrored lamps and windows, or burnt out", "a lamp's and a window's reflections cover up to a tenth; past that ribbons are cut where nobody can see them"}
	GlareFail    = Limit{"glare", record.Fail, 0.50, "share", false, GlareWarn.Meaning, "more is hidden than seen"}
	ShadowWarn   = Limit{"in-shadow", record.Warn, 0.50, "times", true, "light on the paper around the marble relative to open paper", "a marble's own shadow covers less than half of the ring around it, so its median is open paper; at half the light (one stop) the correction of 1.6 is passed"}
	ShadowFail   = Limit{"in-shadow", record.Fail, 0.20, "times", true, ShadowWarn.Meaning, "a fifth of the light: the marble is under-exposed where the photo is not"}
	CoverageWarn = Limit{"faint-outline", record.Warn, 0.60, "share", true, "outline that was seen in the final look", "the cone has three unknowns, and any half of the circle fixes them well; below 0.6 the seen part may lie all on one side"}
	EdgeWarn     = Limit{"faint-outline", record.Warn, 0.50, "share", true, "directions in which glass and paper differ by more than 3 dE and the noise", CoverageWarn.Reason}
	SunkWarn     = Limit{"off-plane", record.Warn, 0.6, "mm", false, "how far two marbles' spheres would run into each other if both lay on the table", "two diameters and the focal length leave the gap of touching marbles uncertain by 0.2 to 0.3 mm (95 %); twice that can't be error"}
)

// Limits lists them all, by flag.
func Limits() []Limit {
	return []Limit{BlurWarn, BlurFail, BlurShare, ShakeRatio, ShakeWarn, ShakeFail, UnderWarn, UnderFail, OverWarn, OverFail, BurntWarn, BurntFail, CastWarn, CastFail,
		MixedWarn, MixedFail, UnevenWarn, UnevenFail, NoiseWarn, NoiseFail, JPEGWarn, JPEGFail, ChromaStep,
		SquareWarn, TiltWarn, TiltFail, PixelsWarn, PixelsFail, BowWarn, BowFail, StraysWarn, TextureWarn, SheetWarn, TintWarn,
		SizeWarn, SizeFail, OwnSizeWarn, OwnSizeFail, GlareWarn, GlareFail, ShadowWarn, ShadowFail, CoverageWarn, EdgeWarn, SunkWarn}
}
