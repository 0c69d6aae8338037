//! A small fully connected network: the learned judge of pixels and of neighbouring pieces.
//!
//! Weights are data (JSON); training is plain stochastic gradient descent with Adam moments
//! (Kingma and Ba 2015) on the logistic loss, from a fixed seed, so that the same photographs
//! give the same weights.

use std::sync::LazyLock;

use serde::{Deserialize, Serialize};

use crate::elementary::exp;
use crate::stats::SplitMix64;

/// Items in one block of [`Ready::eval_block`].
pub const BLOCK: usize = 32;

/// One layer: `out[j] = bias[j] + Σ weight[j·n + i]·in[i]`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Layer {
    inputs: usize,
    outputs: usize,
    weight: Vec<f32>,
    bias: Vec<f32>,
}

impl Layer {
    /// The layer's weighted sums for a block of items: two outputs share the reading of the inputs,
    /// and their sums stay in registers. Products are added without rounding in between on every
    /// machine, so that all come to the same bits.
    /// `input` holds input after input, each for `stride` items, of which the first [`BLOCK`] are taken.
    #[inline(always)]
    fn sums<S: pulp::Simd>(
        &self,
        simd: S,
        input: &[f32],
        stride: usize,
        out: &mut Vec<[f32; BLOCK]>,
    ) {
        out.resize(self.outputs, [0.0; BLOCK]);
        let wide = REGISTERS * S::F32_LANES;
        for j in (0..self.outputs).step_by(2) {
            let second = (j + 1).min(self.outputs - 1);
            let of = |j: usize| &self.weight[j * self.inputs..(j + 1) * self.inputs];
            for at in (0..BLOCK).step_by(wide) {
                let mut p = [simd.splat_f32s(self.bias[j]); REGISTERS];
                let mut q = [simd.splat_f32s(self.bias[second]); REGISTERS];
                for (i, (a, b)) in of(j).iter().zip(of(second)).enumerate() {
                    let (x, _) = S::as_simd_f32s(&input[i * stride + at..][..wide]);
                    let (a, b) = (simd.splat_f32s(*a), simd.splat_f32s(*b));
                    for k in 0..REGISTERS {
                        p[k] = simd.mul_add_f32s(a, x[k], p[k]);
                        q[k] = simd.mul_add_f32s(b, x[k], q[k]);
                    }
                }
                for (j, sums) in [(j, p), (second, q)] {
                    S::as_mut_simd_f32s(&mut out[j][at..at + wide]).0.copy_from_slice(&sums);
                }
            }
        }
    }
}

/// Vector registers that hold the sums of one output: two outputs, the inputs and the weights fit
/// into the sixteen of AVX2. Times the lanes of one, it must divide [`BLOCK`].
const REGISTERS: usize = 4;

/// What the outputs mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Output {
    /// Each output is a probability of its own.
    Logistic,
    /// The outputs are probabilities of classes that exclude each other; they sum to 1.
    Softmax,
}

/// A network with rectified-linear hidden layers whose outputs are probabilities. Inputs are standardised with the means and scales seen in training.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Network {
    output: Output,
    /// Quantiles of each input, equally far apart in rank; with them, inputs are replaced by
    /// their normal scores before anything else, so that one wild value does not outweigh the
    /// rest. Empty: inputs are taken as they are.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    ranks: Vec<Vec<f32>>,
    mean: Vec<f32>,
    scale: Vec<f32>,
    layers: Vec<Layer>,
}

/// Quantiles kept of each input: the middles of so many equal shares.
const RANKS: usize = 33;

/// Normal score of the middle of each share.
static NORMAL_SCORES: LazyLock<[f32; RANKS]> = LazyLock::new(|| {
    std::array::from_fn(|i| crate::stats::normal_quantile((i as f64 + 0.5) / RANKS as f64) as f32)
});

/// The normal score of a value among the quantiles, linear between them; beyond the ends it grows
/// no further.
fn normal_score(quantiles: &[f32], value: f32) -> f32 {
    let scores = &*NORMAL_SCORES;
    let above = quantiles.partition_point(|q| *q < value);
    if above == 0 {
        return scores[0];
    }
    let Some(high) = quantiles.get(above) else { return scores[RANKS - 1] };
    let low = quantiles[above - 1];
    let t = (value - low) / (high - low).max(f32::MIN_POSITIVE);
    scores[above - 1] + t * (scores[above] - scores[above - 1])
}

/// Room for [`Ready::eval_block`], and its outputs.
#[derive(Debug, Clone, Default)]
pub struct Scratch {
    now: Vec<[f32; BLOCK]>,
    next: Vec<[f32; BLOCK]>,
}

impl Scratch {
    /// The outputs of the last evaluation, one block each.
    pub fn outputs(&self) -> &[[f32; BLOCK]] {
        &self.now
    }
}

/// What an input is made of: one of the numbers that are read, or that less another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MadeOf {
    of: usize,
    less: Option<usize>,
}

impl MadeOf {
    /// The number that is read at this place.
    pub const fn read(of: usize) -> MadeOf {
        MadeOf { of, less: None }
    }

    /// One number less another, by their places.
    pub const fn difference(of: usize, less: usize) -> MadeOf {
        MadeOf { of, less: Some(less) }
    }

    /// The input, from the numbers that are read.
    #[inline]
    pub fn value(self, read: impl Fn(usize) -> f32) -> f32 {
        self.less.map_or(read(self.of), |less| read(self.of) - read(less))
    }
}

/// A network made ready for many items at once: see [`Network::ready`].
#[derive(Debug, Clone)]
pub struct Ready {
    layers: Vec<Layer>,
}

impl Ready {
    /// Probabilities of [`BLOCK`] items. `read` holds what is read, number after number, each for
    /// `stride` items, of which the first [`BLOCK`] are taken. The outputs are then in `scratch`.
    pub fn eval_block(&self, read: &[f32], stride: usize, scratch: &mut Scratch) {
        struct Block<'a>(&'a Ready, &'a [f32], usize, &'a mut Scratch);
        impl pulp::WithSimd for Block<'_> {
            type Output = ();
            #[inline(always)]
            fn with_simd<S: pulp::Simd>(self, simd: S) {
                self.0.eval_block_with(simd, self.1, self.2, self.3);
            }
        }
        pulp::Arch::new().dispatch(Block(self, read, stride, scratch));
    }

    #[inline(always)]
    fn eval_block_with<S: pulp::Simd>(
        &self,
        simd: S,
        inputs: &[f32],
        stride: usize,
        scratch: &mut Scratch,
    ) {
        let Scratch { now, next } = scratch;
        for (k, layer) in self.layers.iter().enumerate() {
            if k == 0 {
                layer.sums(simd, inputs, stride, next);
            } else {
                layer.sums(simd, now.as_flattened(), BLOCK, next);
            }
            let last = k + 1 == self.layers.len();
            for row in next.iter_mut() {
                if last {
                    row.iter_mut().for_each(|v| *v = logistic(*v));
                } else {
                    row.iter_mut().for_each(|v| *v = v.max(0.0));
                }
            }
            std::mem::swap(now, next);
        }
    }
}

/// Draws for training, from the generator whose draws never change.
#[derive(Debug, Clone)]
pub struct Random(SplitMix64);

impl Random {
    /// A stream that depends on the seed only.
    pub fn new(seed: u64) -> Random {
        Random(SplitMix64::new(seed))
    }

    /// Uniform in 0..1.
    pub fn uniform(&mut self) -> f64 {
        self.0.uniform()
    }

    /// Uniform whole number below `n` (n ≥ 1).
    pub fn below(&mut self, n: usize) -> usize {
        ((self.uniform() * n as f64) as usize).min(n - 1)
    }

    /// Standard normal (Box–Muller).
    pub fn normal(&mut self) -> f64 {
        let u = 1.0 - self.uniform();
        (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }

    /// Shuffles in place (Fisher–Yates).
    pub fn shuffle<T>(&mut self, items: &mut [T]) {
        for i in (1..items.len()).rev() {
            items.swap(i, self.below(i + 1));
        }
    }
}

/// Training data: rows of inputs, targets in 0..=1 and a weight for each row.
#[derive(Debug, Clone, Default)]
pub struct Samples {
    /// Inputs, row after row.
    pub inputs: Vec<f32>,
    /// Targets, row after row; NaN means 'not asked'.
    pub targets: Vec<f32>,
    /// Weight of each row.
    pub weights: Vec<f32>,
}

/// How to train.
#[derive(Debug, Clone, Copy)]
pub struct Training {
    /// Passes over the data.
    pub epochs: usize,
    /// First step size; falls to a hundredth along a half cosine.
    pub rate: f32,
    /// Rows in one step.
    pub batch: usize,
    /// Weight decay per step size.
    pub decay: f32,
    /// Seed of first weights and order.
    pub seed: u64,
    /// What the outputs mean.
    pub output: Output,
    /// Whether inputs are replaced by their normal scores.
    pub ranks: bool,
}

#[inline(always)]
fn logistic(v: f32) -> f32 {
    1.0 / (1.0 + exp(-v))
}

impl Output {
    /// Last layer's sums to probabilities.
    fn finish(self, values: &mut [f32]) {
        match self {
            Output::Logistic => values.iter_mut().for_each(|v| *v = logistic(*v)),
            Output::Softmax => {
                let top = values.iter().copied().fold(f32::MIN, f32::max);
                values.iter_mut().for_each(|v| *v = exp(*v - top));
                let sum: f32 = values.iter().sum();
                values.iter_mut().for_each(|v| *v /= sum);
            }
        }
    }
}

impl Network {
    /// Number of inputs.
    pub fn inputs(&self) -> usize {
        self.mean.len()
    }

    /// Number of outputs.
    pub fn outputs(&self) -> usize {
        self.layers.last().map_or(0, |l| l.outputs)
    }

    /// Whether the network is whole and takes and gives so many values.
    pub fn fits(&self, inputs: usize, outputs: usize) -> bool {
        let mut width = inputs;
        let whole = self.layers.iter().all(|l| {
            let ok = l.inputs == width
                && l.weight.len() == l.inputs * l.outputs
                && l.bias.len() == l.outputs;
            width = l.outputs;
            ok
        });
        whole
            && !self.layers.is_empty()
            && width == outputs
            && self.mean.len() == inputs
            && self.scale.len() == inputs
            && (self.ranks.is_empty()
                || self.ranks.len() == inputs && self.ranks.iter().all(|r| r.len() == RANKS))
    }

    /// One input as the first layer takes it.
    #[inline(always)]
    fn standard(&self, i: usize, value: f32) -> f32 {
        let value = self.ranks.get(i).map_or(value, |r| normal_score(r, value));
        (value - self.mean[i]) * self.scale[i]
    }

    /// Probabilities for one row of inputs.
    pub fn eval(&self, input: &[f32]) -> Vec<f32> {
        let mut values: Vec<f32> =
            input.iter().enumerate().map(|(i, v)| self.standard(i, *v)).collect();
        for (k, layer) in self.layers.iter().enumerate() {
            let last = k + 1 == self.layers.len();
            values = (0..layer.outputs)
                .map(|j| {
                    let row = &layer.weight[j * layer.inputs..(j + 1) * layer.inputs];
                    let sum =
                        layer.bias[j] + row.iter().zip(&values).map(|(w, v)| w * v).sum::<f32>();
                    if last { sum } else { sum.max(0.0) }
                })
                .collect();
        }
        self.output.finish(&mut values);
        values
    }

    /// Whether [`Network::ready`] takes it: inputs as they are, not their normal scores, and outputs
    /// that are each a probability of its own.
    pub fn takes_many(&self) -> bool {
        self.ranks.is_empty() && self.output == Output::Logistic
    }

    /// Made ready for many items, from numbers that the inputs are made of: what the inputs are
    /// standardised with becomes part of the first layer, and so do differences, so that nothing
    /// is multiplied that another input says already. None where [`Network::takes_many`] says no.
    pub fn ready(&self, made_of: &[MadeOf]) -> Option<Ready> {
        let mut layers = self.layers.clone();
        let first = layers.first_mut().filter(|_| self.takes_many())?;
        let places = made_of.iter().flat_map(|m| [Some(m.of), m.less]).flatten();
        let read = places.max()? + 1;
        let mut weight = vec![0.0; first.outputs * read];
        let rows = first.weight.chunks_exact(first.inputs).zip(weight.chunks_exact_mut(read));
        for ((row, weight), bias) in rows.zip(&mut first.bias) {
            for (i, (w, &MadeOf { of, less })) in row.iter().zip(made_of).enumerate() {
                let w = w * self.scale[i];
                *bias -= w * self.mean[i];
                weight[of] += w;
                less.into_iter().for_each(|less| weight[less] -= w);
            }
        }
        (first.weight, first.inputs) = (weight, read);
        Some(Ready { layers })
    }

    /// Trains a network with the given hidden layer sizes. `report` is told the mean loss after
    /// each pass.
    pub fn train(
        samples: &Samples,
        inputs: usize,
        hidden: &[usize],
        how: Training,
        mut report: impl FnMut(usize, f64),
    ) -> Network {
        let rows = samples.weights.len();
        let outputs = samples.targets.len().checked_div(rows).unwrap_or(1).max(1);
        Network::fresh(samples, inputs, hidden, outputs, how).further(samples, how, &mut report)
    }

    /// Taught further from where it stands, with samples of the same inputs and outputs.
    /// `report` gets the pass and its mean loss.
    pub fn further(
        &self,
        samples: &Samples,
        how: Training,
        mut report: impl FnMut(usize, f64),
    ) -> Network {
        let rows = samples.weights.len();
        let mut net = self.clone();
        let mut random = Random::new(how.seed ^ 0x5EED);
        let mut order: Vec<u32> = (0..rows as u32).collect();
        let mut moments: Vec<(Vec<f32>, Vec<f32>)> = net
            .layers
            .iter()
            .map(|l| {
                let n = l.weight.len() + l.bias.len();
                (vec![0.0; n], vec![0.0; n])
            })
            .collect();
        let steps = (how.epochs * rows.div_ceil(how.batch)).max(1);
        let mut step = 0usize;
        for epoch in 0..how.epochs {
            random.shuffle(&mut order);
            let (mut loss, mut weight) = (0.0, 0.0);
            for chunk in order.chunks(how.batch) {
                let (gradient, l, w) = net.gradient(samples, chunk);
                loss += l;
                weight += w;
                step += 1;
                let phase = step as f32 / steps as f32 * std::f32::consts::PI;
                let rate = how.rate * (0.01 + 0.99 * 0.5 * (1.0 + phase.cos()));
                net.adam(&gradient, &mut moments, step, rate, how.decay);
            }
            report(epoch, loss / f64::max(weight, 1e-12));
        }
        net
    }

    fn fresh(
        samples: &Samples,
        inputs: usize,
        hidden: &[usize],
        outputs: usize,
        how: Training,
    ) -> Network {
        let rows = samples.weights.len().max(1) as f64;
        let ranks: Vec<Vec<f32>> = if how.ranks { quantiles(samples, inputs) } else { Vec::new() };
        let mut mean = vec![0.0f64; inputs];
        let mut square = vec![0.0f64; inputs];
        for row in samples.inputs.chunks_exact(inputs) {
            for (i, v) in row.iter().enumerate() {
                let v = f64::from(ranks.get(i).map_or(*v, |r| normal_score(r, *v)));
                mean[i] += v;
                square[i] += v * v;
            }
        }
        let mut random = Random::new(how.seed);
        let mut sizes = vec![inputs];
        sizes.extend_from_slice(hidden);
        sizes.push(outputs);
        let layers = sizes
            .windows(2)
            .map(|w| Layer {
                inputs: w[0],
                outputs: w[1],
                weight: (0..w[0] * w[1])
                    .map(|_| (random.normal() * (2.0 / w[0] as f64).sqrt()) as f32)
                    .collect(),
                bias: vec![0.0; w[1]],
            })
            .collect();
        Network {
            output: how.output,
            scale: (0..inputs)
                .map(|i| {
                    let m = mean[i] / rows;
                    (1.0 / (square[i] / rows - m * m).max(1e-8).sqrt()) as f32
                })
                .collect(),
            mean: mean.iter().map(|m| (m / rows) as f32).collect(),
            ranks,
            layers,
        }
    }

    /// Gradient (weights then biases, per layer), summed loss and weight of one batch.
    fn gradient(&self, samples: &Samples, rows: &[u32]) -> (Vec<Vec<f32>>, f64, f64) {
        use rayon::prelude::*;
        let zero = || {
            let g: Vec<Vec<f32>> =
                self.layers.iter().map(|l| vec![0.0; l.weight.len() + l.bias.len()]).collect();
            (g, 0.0f64, 0.0f64)
        };
        // A fixed split into two halves keeps the sums, and so the weights, the same on any
        // number of threads.
        let half = rows.len().div_ceil(2).max(1);
        let parts: Vec<_> = rows
            .par_chunks(half)
            .map(|part| {
                let mut sums = zero();
                let mut acts: Vec<Vec<[f32; BLOCK]>> = vec![Vec::new(); self.layers.len() + 1];
                for block in part.chunks(BLOCK) {
                    pulp::Arch::new().dispatch(GradientOfBlock {
                        network: self,
                        samples,
                        rows: block,
                        acts: &mut acts,
                        sums: &mut sums,
                    });
                }
                sums
            })
            .collect();
        let (mut gradient, mut loss, mut total) = zero();
        for (g, l, t) in parts {
            for (sum, part) in gradient.iter_mut().zip(g) {
                for (s, p) in sum.iter_mut().zip(part) {
                    *s += p;
                }
            }
            loss += l;
            total += t;
        }
        let scale = 1.0 / total.max(1e-12) as f32;
        for v in gradient.iter_mut().flatten() {
            *v *= scale;
        }
        (gradient, loss, total)
    }

    fn adam(
        &mut self,
        gradient: &[Vec<f32>],
        moments: &mut [(Vec<f32>, Vec<f32>)],
        step: usize,
        rate: f32,
        decay: f32,
    ) {
        let c1 = 1.0 - 0.9f32.powi(step.min(10_000) as i32);
        let c2 = 1.0 - 0.999f32.powi(step.min(100_000) as i32);
        for ((layer, g), (m1, m2)) in self.layers.iter_mut().zip(gradient).zip(moments) {
            let n = layer.weight.len();
            for i in 0..g.len() {
                m1[i] = 0.9 * m1[i] + 0.1 * g[i];
                m2[i] = 0.999 * m2[i] + 0.001 * g[i] * g[i];
                let change = rate * (m1[i] / c1) / ((m2[i] / c2).sqrt() + 1e-8);
                if i < n {
                    layer.weight[i] -= change + rate * decay * layer.weight[i];
                } else {
                    layer.bias[i - n] -= change;
                }
            }
        }
    }
}

/// Adds the gradient, loss and weight of up to [`BLOCK`] rows to `sums`. Rows lie side by side,
/// so that the same arithmetic runs over all of them at once.
struct GradientOfBlock<'a> {
    network: &'a Network,
    samples: &'a Samples,
    rows: &'a [u32],
    acts: &'a mut [Vec<[f32; BLOCK]>],
    sums: &'a mut (Vec<Vec<f32>>, f64, f64),
}

impl pulp::WithSimd for GradientOfBlock<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, simd: S) {
        let GradientOfBlock { network, samples, rows, acts, sums } = self;
        let (inputs, outputs) = (network.inputs(), network.outputs());
        let (gradient, loss, total) = sums;
        acts[0].clear();
        acts[0].resize(inputs, [0.0; BLOCK]);
        for (k, &r) in rows.iter().enumerate() {
            let row = &samples.inputs[r as usize * inputs..(r as usize + 1) * inputs];
            for (i, v) in row.iter().enumerate() {
                acts[0][i][k] = network.standard(i, *v);
            }
        }
        for (k, layer) in network.layers.iter().enumerate() {
            let last = k + 1 == network.layers.len();
            let (before, after) = acts.split_at_mut(k + 1);
            layer.sums(simd, before[k].as_flattened(), BLOCK, &mut after[0]);
            if !last {
                after[0].iter_mut().flatten().for_each(|v| *v = v.max(0.0));
            }
        }
        let mut delta = vec![[0.0f32; BLOCK]; outputs];
        for (k, &r) in rows.iter().enumerate() {
            let weight = samples.weights[r as usize];
            let mut p: Vec<f32> = acts[network.layers.len()].iter().map(|o| o[k]).collect();
            network.output.finish(&mut p);
            let target = &samples.targets[r as usize * outputs..(r as usize + 1) * outputs];
            for (j, (p, t)) in p.iter().zip(target).enumerate().filter(|(_, (_, t))| !t.is_nan()) {
                delta[j][k] = weight * (p - t);
                let p = p.clamp(1e-7, 1.0 - 1e-7);
                *loss -= f64::from(weight * (t * p.ln() + (1.0 - t) * (1.0 - p).ln()));
                *total += f64::from(weight);
            }
        }
        for (k, layer) in network.layers.iter().enumerate().rev() {
            let input = &acts[k];
            let mut back = vec![[0.0f32; BLOCK]; if k > 0 { layer.inputs } else { 0 }];
            let (weights, biases) = gradient[k].split_at_mut(layer.weight.len());
            for (j, d) in delta.iter().enumerate() {
                let span = j * layer.inputs..(j + 1) * layer.inputs;
                for (g, v) in weights[span.clone()].iter_mut().zip(input) {
                    *g += dot(d, v);
                }
                biases[j] += d.iter().sum::<f32>();
                for (b, w) in back.iter_mut().zip(&layer.weight[span]) {
                    for (b, d) in b.iter_mut().zip(d) {
                        *b += d * w;
                    }
                }
            }
            for (b, v) in back.iter_mut().zip(input) {
                for (b, v) in b.iter_mut().zip(v) {
                    *b = if *v > 0.0 { *b } else { 0.0 };
                }
            }
            delta = back;
        }
    }
}

/// Quantiles of each input over all rows.
fn quantiles(samples: &Samples, inputs: usize) -> Vec<Vec<f32>> {
    let rows = samples.inputs.len() / inputs.max(1);
    (0..inputs)
        .map(|i| {
            let mut column: Vec<f32> =
                samples.inputs.iter().skip(i).step_by(inputs).copied().collect();
            column.sort_unstable_by(f32::total_cmp);
            (0..RANKS)
                .map(|k| column.get(rows * (2 * k + 1) / (2 * RANKS)).copied().unwrap_or(0.0))
                .collect()
        })
        .collect()
}

/// Sum of products, in eight running sums that vector registers can hold.
#[inline(always)]
fn dot(a: &[f32; BLOCK], b: &[f32; BLOCK]) -> f32 {
    let mut sums = [0.0f32; 8];
    for (a, b) in a.chunks_exact(8).zip(b.chunks_exact(8)) {
        for i in 0..8 {
            sums[i] += a[i] * b[i];
        }
    }
    let [a, b, c, d, e, f, g, h] = sums;
    ((a + e) + (b + f)) + ((c + g) + (d + h))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Inputs of the tests: what is read as it is, and with the second a difference.
    const PLAIN: [MadeOf; 2] = [MadeOf::read(0), MadeOf::read(1)];
    const DIFFERENCE: [MadeOf; 2] = [MadeOf::read(2), MadeOf::difference(0, 1)];

    fn xor(rows: usize) -> Samples {
        let mut random = Random::new(3);
        let mut s = Samples::default();
        for _ in 0..rows {
            let (a, b) = (random.uniform() as f32, random.uniform() as f32);
            s.inputs.extend([a, b]);
            s.targets.push(f32::from((a > 0.5) != (b > 0.5)));
            s.weights.push(1.0);
        }
        s
    }

    const HOW: Training = Training {
        epochs: 60,
        rate: 0.02,
        batch: 64,
        decay: 0.0,
        seed: 1,
        output: Output::Logistic,
        ranks: false,
    };

    #[test]
    fn learns_what_no_line_can_separate() {
        let net = Network::train(&xor(1500), 2, &[12], HOW, |_, _| {});
        assert!(net.eval(&[0.2, 0.8])[0] > 0.9);
        assert!(net.eval(&[0.8, 0.8])[0] < 0.1);
    }

    #[test]
    fn blocks_agree_with_single_rows() {
        let net = Network::train(&xor(200), 2, &[5, 3], HOW, |_, _| {});
        let mut random = Random::new(9);
        let given: [[f32; BLOCK]; 3] =
            std::array::from_fn(|_| std::array::from_fn(|_| random.uniform() as f32));
        let mut scratch = Scratch::default();
        for made_of in [PLAIN, DIFFERENCE] {
            let ready = net.ready(&made_of).expect("nothing speaks against it");
            ready.eval_block(given.as_flattened(), BLOCK, &mut scratch);
            for k in 0..BLOCK {
                let row = net.eval(&made_of.map(|m| m.value(|of| given[of][k])))[0];
                assert!((row - scratch.outputs()[0][k]).abs() < 1e-5);
            }
        }
    }

    #[test]
    fn what_is_made_of_what() {
        let read = |of: usize| [5.0, 3.0, 9.0][of];
        assert_eq!(DIFFERENCE.map(|m| m.value(read)), [9.0, 2.0]);
    }

    #[test]
    fn normal_scores_and_classes_are_no_matter_of_blocks() {
        for how in [
            Training { ranks: true, epochs: 1, ..HOW },
            Training { output: Output::Softmax, epochs: 1, ..HOW },
        ] {
            let net = Network::train(&xor(50), 2, &[5], how, |_, _| {});
            assert!(!net.takes_many() && net.ready(&PLAIN).is_none());
        }
    }

    #[test]
    fn same_seed_same_weights_and_json_round_trip() {
        let how = Training { epochs: 3, ..HOW };
        let net = Network::train(&xor(300), 2, &[4], how, |_, _| {});
        assert_eq!(net, Network::train(&xor(300), 2, &[4], how, |_, _| {}));
        let text = serde_json::to_string(&net).unwrap();
        assert_eq!(net, serde_json::from_str::<Network>(&text).unwrap());
    }
}
