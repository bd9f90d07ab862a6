package sampling

import "math"

// The functions of this file stand in for those of package math, some of which
// use fused multiply-add where the processor, or the setting of the compiler, has
// it, and then end in other last bits. Every product that goes into a sum is
// written float64(a*b), which forbids fusing, so that all processors agree.

const (
	ln2Hi = 0x1.62e42fp-1         // ln 2 to 25 bits: its product with an exponent is exact
	ln2Lo = 0x1.df473de6af279p-26 // ln 2 - ln2Hi

	half      = 0x1p-1
	smallest  = 0x1p-53 // of the uniforms that are drawn; 1 - smallest is the largest
	sqrtHalf  = 0x1.6a09e667f3bcdp-1
	centre    = 0.425    // of the normal quantile: half the width of the central range
	toInteger = 0x1.8p52 // added and taken off again rounds to an integer
)

// sixteenths are 2^(j/16).
var sixteenths = [16]float64{
	1, 1.04427378242741384032, 1.09050773266525765921, 1.13878863475669165370,
	1.18920711500272106672, 1.24185781207348404859, 1.29683955465100966593, 1.35425554693689272830,
	1.41421356237309504880, 1.47682614593949931139, 1.54221082540794082361, 1.61049033194925430818,
	1.68179283050742908606, 1.75625216037329948311, 1.83400808640934246349, 1.91520656139714729387,
}

// exps replaces each x by e^x, which must be within 700 of zero: e^x = 2^(k/16)
// e^r with |r| <= ln 2/32, and e^r by its power series to r^7. Relative error
// below 2e-16.
func exps(v []float64) {
	for i, x := range v {
		k := float64(x*(16/math.Ln2)) + toInteger - toInteger
		r := x - float64(k*(ln2Hi/16)) - float64(k*(ln2Lo/16))
		p := 1.0/720 + float64(r*(1.0/5040))
		p = 1.0/120 + float64(r*p)
		p = 1.0/24 + float64(r*p)
		p = 1.0/6 + float64(r*p)
		p = half + float64(r*p)
		p = r + float64(float64(r*r)*p)
		n := int64(k)
		t := sixteenths[n&15]
		v[i] = math.Float64frombits(math.Float64bits(t+float64(t*p)) + uint64(n>>4)<<52) //nolint:gosec // the exponent of a normal number, in its own bits
	}
}

// logs replaces each x, a positive normal number, by its natural logarithm: by the
// power series of artanh((m-1)/(m+1)) for x = 2^k m with m between √½ and √2.
// Relative error below 4e-16.
func logs(v []float64) {
	offset := math.Float64bits(sqrtHalf)
	for i, x := range v {
		bits := math.Float64bits(x) - offset
		k := float64(int64(bits) >> 52) //nolint:gosec // the sign is meant: k is negative below √½
		m := math.Float64frombits(bits&(1<<52-1) + offset)
		s := (m - 1) / (m + 1)
		z := float64(s * s)
		z2 := float64(z * z)
		p := (1.0/11 + float64(z*(1.0/13))) + float64(z2*((1.0/15+float64(z*(1.0/17)))+float64(z2*(1.0/19+float64(z*(1.0/21))))))
		p = (1.0/3 + float64(z*(1.0/5))) + float64(z2*((1.0/7+float64(z*(1.0/9)))+float64(z2*p)))
		p = 2 * (s + float64(float64(s*z)*p))
		v[i] = float64(k*ln2Hi) + (float64(k*ln2Lo) + p)
	}
}

func log(x float64) float64 {
	v := [1]float64{x}
	logs(v[:])
	return v[0]
}

// normals replaces each probability, from smallest to 1 - smallest, by the
// standard normal quantile. Source: M. J. Wichura, "Algorithm AS 241", Applied
// Statistics 37, 1988, PPND16: relative error about 1e-16. The central formula is
// worked out for all, which costs less than guessing wrong for which it holds.
func normals(v []float64, s *scratch) {
	n := 0
	tails, from := s.tails[:len(v)], s.values[:len(v)]
	copy(from, v)
	for i, u := range from {
		q := u - half
		tails[n] = int32(i)
		if math.Abs(q) > centre {
			n++
		}
		r := float64(centre*centre) - float64(q*q)
		a := 3.3430575583588128105e4 + float64(r*2.5090809287301226727e3)
		a = 6.7265770927008700853e4 + float64(r*a)
		a = 4.5921953931549871457e4 + float64(r*a)
		a = 1.3731693765509461125e4 + float64(r*a)
		a = 1.9715909503065514427e3 + float64(r*a)
		a = 1.3314166789178437745e2 + float64(r*a)
		a = 3.3871328727963666080 + float64(r*a)
		b := 2.8729085735721942674e4 + float64(r*5.2264952788528545610e3)
		b = 3.9307895800092710610e4 + float64(r*b)
		b = 2.1213794301586595867e4 + float64(r*b)
		b = 5.3941960214247511077e3 + float64(r*b)
		b = 6.8718700749205790830e2 + float64(r*b)
		b = 4.2313330701600911252e1 + float64(r*b)
		b = 1 + float64(r*b)
		v[i] = float64(q*a) / b
	}
	for k, i := range tails[:n] {
		u := from[i]
		v[i] = u - half
		from[k] = min(u, 1-u) // k <= i
	}
	logs(from[:n])
	for k, i := range tails[:n] {
		v[i] = math.Copysign(normalTail(math.Sqrt(-from[k])), v[i])
	}
}

// normalTail is the upper quantile outside the central range, by the root of the
// negative logarithm of the probability.
func normalTail(r float64) float64 {
	var a, b float64
	if r <= 5 {
		r -= 1.6
		a = 2.27238449892691845833e-2 + float64(r*7.74545014278341407640e-4)
		a = 2.41780725177450611770e-1 + float64(r*a)
		a = 1.27045825245236838258 + float64(r*a)
		a = 3.64784832476320460504 + float64(r*a)
		a = 5.76949722146069140550 + float64(r*a)
		a = 4.63033784615654529590 + float64(r*a)
		a = 1.42343711074968357734 + float64(r*a)
		b = 5.47593808499534494600e-4 + float64(r*1.05075007164441684324e-9)
		b = 1.51986665636164571966e-2 + float64(r*b)
		b = 1.48103976427480074590e-1 + float64(r*b)
		b = 6.89767334985100004550e-1 + float64(r*b)
		b = 1.67638483018380384940 + float64(r*b)
		b = 2.05319162663775882187 + float64(r*b)
	} else {
		r -= 5
		a = 2.71155556874348757815e-5 + float64(r*2.01033439929228813265e-7)
		a = 1.24266094738807843860e-3 + float64(r*a)
		a = 2.65321895265761230930e-2 + float64(r*a)
		a = 2.96560571828504891230e-1 + float64(r*a)
		a = 1.78482653991729133580 + float64(r*a)
		a = 5.46378491116411436990 + float64(r*a)
		a = 6.65790464350110377720 + float64(r*a)
		b = 1.42151175831644588870e-7 + float64(r*2.04426310338993978564e-15)
		b = 1.84631831751005468180e-5 + float64(r*b)
		b = 7.86869131145613259100e-4 + float64(r*b)
		b = 1.48753612908506148525e-2 + float64(r*b)
		b = 1.36929880922735805310e-1 + float64(r*b)
		b = 5.99832206555887937690e-1 + float64(r*b)
	}
	return a / (1 + float64(r*b))
}

// cdfs replaces each standard normal deviate by its probability. Source: J. F.
// Hart and others, Computer Approximations, 1968, function 5666, as given by G.
// West, "Better approximations to cumulative normal functions", Wilmott, 2005
// (value from memory; the tests hold it against the error function of package
// math). Absolute error below 1e-15.
func cdfs(v []float64, scratch []float64) {
	tails := scratch[:len(v)]
	for i, x := range v {
		tails[i] = max(-700, -half*float64(x*x))
	}
	exps(tails)
	for i, x := range v {
		z, p := math.Abs(x), tails[i]
		if z < 7.07106781186547 {
			a := 0.700383064443688 + float64(z*3.52624965998911e-2)
			a = 6.37396220353165 + float64(z*a)
			a = 33.912866078383 + float64(z*a)
			a = 112.079291497871 + float64(z*a)
			a = 221.213596169931 + float64(z*a)
			a = 220.206867912376 + float64(z*a)
			b := 1.75566716318264 + float64(z*8.83883476483184e-2)
			b = 16.064177579207 + float64(z*b)
			b = 86.7807322029461 + float64(z*b)
			b = 296.564248779674 + float64(z*b)
			b = 637.333633378831 + float64(z*b)
			b = 793.826512519948 + float64(z*b)
			b = 440.413735824752 + float64(z*b)
			p = float64(p*a) / b
		} else {
			p /= float64((z + 1/(z+2/(z+3/(z+4/(z+0.65))))) * 2.506628274631)
		}
		if x > 0 {
			p = 1 - p
		}
		v[i] = p
	}
}
