// Answers pairs of CIELAB colours (D65, 2 degrees) from standard input with what the library whose path is given says of them.
const culori = require(process.argv[2]);
const formulas = {
	CIE76: culori.differenceCie76(),
	Textile: culori.differenceCie94(2, 0.048, 0.014),
	Arts: culori.differenceCie94(),
	CMC11: culori.differenceCmc(1, 1),
	CMC21: culori.differenceCmc(2, 1),
	CIEDE2000: culori.differenceCiede2000(),
	KL2: culori.differenceCiede2000(2),
};
const colour = ([l, a, b]) => ({ mode: 'lab65', l, a, b });
const pairs = JSON.parse(require('fs').readFileSync(0, 'utf8'));
console.log(JSON.stringify(pairs.map(({ Reference, Sample }) => {
	const answer = {};
	for (const [name, f] of Object.entries(formulas)) answer[name] = f(colour(Reference), colour(Sample));
	const rgb = culori.rgb(colour(Reference));
	answer.RGB = [rgb.r, rgb.g, rgb.b];
	const lab = culori.lab(colour(Reference));
	answer.Lab50 = [lab.l, lab.a, lab.b];
	return answer;
})));
