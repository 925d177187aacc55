//! Amounts of two or three ingredients for a moisture goal, a C:N goal, or both.
//!
//! Must never answer a goal that cannot be reached with amounts that merely come near: that is an error naming who is in the way.
//!
//! Method. Let q be wet masses, M the moisture goal and R the C:N goal. Both goals are linear in the amounts:
//! surplus of water Σ q (m − M) = 0, surplus of carbon Σ q (1-m) (C − R N) = 0. Each is divided by what it is a surplus of (wet
//! mass; half of carbon plus R times nitrogen) and by half the width of the acceptable range, so that 12.5 points of moisture weigh
//! as much as a third of the C:N. The sum of squares is minimised within the bounds exactly: its optimum has a vertex with no more
//! unknowns off their bounds than there are goals, so trying every such choice finds it. The divisors are taken from the last
//! answer and the step repeated. Where several answers meet the goals alike, the one with the least mass is given.

use crate::mix::{Amount, Ingredient, MASS_KILOGRAMS_MAX, MixError, Part, mix};
use crate::units::{Fraction, Kilograms, readable};

/// How many amounts can be solved for: the number of choices of bounds grows as its power of three.
pub const CHOICES_MAX: usize = 3;
/// The smallest C:N goal.
pub const CARBON_TO_NITROGEN_GOAL_MIN: f64 = 1.0;
/// The largest C:N goal.
pub const CARBON_TO_NITROGEN_GOAL_MAX: f64 = 1_000.0;

/// Half of the acceptable 40 to 65 % moisture ([`crate::mix::TARGETS`]).
const MOISTURE_HALF_WIDTH: f64 = 0.125;
/// Half of the acceptable C:N of 20 to 40, as a part of its middle.
const RATIO_HALF_WIDTH: f64 = 1.0 / 3.0;
/// A goal counts as met within this part of the surplus's divisor.
const MET: f64 = 1e-9;
/// How often the divisors are renewed; the answer settles in a few rounds, or alternates between neighbours.
const ROUNDS: usize = 20;

/// An ingredient whose amount is asked for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Choice<'a> {
    /// What.
    pub ingredient: &'a Ingredient,
    /// At least so much.
    pub least: Kilograms,
    /// At most so much; `None` where nothing limits it.
    pub most: Option<Kilograms>,
}

/// What the mix should be.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Goals {
    /// Moisture as a part of the wet mass, above 0 and below 1.
    pub moisture: Option<Fraction>,
    /// Carbon to nitrogen, 1 to 1,000.
    pub carbon_to_nitrogen: Option<f64>,
}

/// Amounts found.
#[derive(Clone, Debug, PartialEq)]
pub struct Solution {
    /// Wet masses, in the order of the choices.
    pub amounts: Vec<Kilograms>,
    /// Whether they meet the goals.
    pub fit: Fit,
}

/// Whether amounts meet the goals.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fit {
    /// Every goal is met.
    Met,
    /// Each goal could be met alone, but not both: the amounts are the best compromise by least squares.
    Compromise,
}

/// Why there are no amounts.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum GoalError {
    /// An amount or a shrink that [`mix`] refuses.
    #[error(transparent)]
    Mix(#[from] MixError),
    /// No goal, or one out of range.
    #[error("{what} of {value} is outside {range}; give a goal inside of it", value = readable(.value))]
    Goal {
        /// Which goal.
        what: &'static str,
        /// The value given.
        value: f64,
        /// The range in words.
        range: &'static str,
    },
    /// Neither goal was given.
    #[error("there is no goal; give a moisture, a C:N, or both")]
    NoGoal,
    /// None or more than three amounts are asked for.
    #[error("{given} amounts are asked for; leave 1 to {CHOICES_MAX} open and give the others")]
    Choices {
        /// How many.
        given: usize,
    },
    /// Bounds that leave nothing.
    #[error(
        "{ingredient}: no amount is at least {least} kg and at most {most} kg; give 0 ≤ least ≤ most ≤ {MASS_KILOGRAMS_MAX} kg"
    )]
    Bounds {
        /// Whose.
        ingredient: String,
        /// The lower bound.
        least: f64,
        /// The upper bound.
        most: f64,
    },
    /// Every amount may be zero.
    #[error(
        "nothing says how large the mix is; give one ingredient an amount, or a least amount: goals fix only proportions"
    )]
    NoSize,
    /// A goal that no allowed amounts reach.
    #[error("the goal of {goal} cannot be reached: the nearest is {nearest}; {}", .in_the_way.join("; "))]
    OutOfReach {
        /// The goal in words.
        goal: String,
        /// The nearest value that the bounds allow, in words.
        nearest: String,
        /// What each ingredient does about it, with the next step.
        in_the_way: Vec<String>,
    },
}

/// Finds the amounts of `choices` that, with what is `given`, meet the goals. See the head of this file for the method.
///
/// # Errors
/// [`GoalError::OutOfReach`] for each goal that no allowed amounts reach even alone, naming the ingredients on the wrong side of it;
/// otherwise an argument that is out of range. Two goals that can be met alone but not together are no error: see [`Fit`].
pub fn solve(given: &[Part<'_>], choices: &[Choice<'_>], goals: Goals) -> Result<Solution, GoalError> {
    if choices.is_empty() || choices.len() > CHOICES_MAX {
        return Err(GoalError::Choices { given: choices.len() });
    }
    let bounds = choices.iter().map(bounds).collect::<Result<Vec<_>, _>>()?;
    let rows = rows(goals)?;
    let mut masses = Vec::new();
    for part in given {
        masses.push((part.ingredient, part.ingredient.mass(part.amount)?.0));
    }
    if masses.iter().all(|(_, q)| *q == 0.0) && bounds.iter().all(|(least, _)| *least == 0.0) {
        return Err(GoalError::NoSize);
    }
    let problem = Problem { given: masses, choices, bounds, rows };
    for row in &problem.rows {
        problem.reachable(*row)?;
    }
    let mut best: Option<(f64, Vec<f64>)> = None;
    let mut amounts = problem.bounds.iter().map(|(least, most)| most.min(least + 1.0)).collect::<Vec<_>>();
    for _ in 0..ROUNDS {
        let next = problem.least_squares(&problem.divisors(&amounts));
        let miss = problem.miss(&next);
        if best.as_ref().is_none_or(|(least, _)| miss < *least) {
            best = Some((miss, next.clone()));
        }
        if next == amounts {
            break;
        }
        amounts = next;
    }
    let (miss, amounts) = best.unwrap_or((f64::INFINITY, amounts));
    let fit = if miss <= MET { Fit::Met } else { Fit::Compromise };
    let parts: Vec<Part<'_>> = problem.parts(&amounts);
    mix(&parts, Fraction(0.0))?;
    Ok(Solution { amounts: amounts.into_iter().map(Kilograms).collect(), fit })
}

/// One goal as a linear row over amounts.
#[derive(Clone, Copy)]
enum Row {
    Moisture(f64),
    Ratio(f64),
}

struct Problem<'a> {
    given: Vec<(&'a Ingredient, f64)>,
    choices: &'a [Choice<'a>],
    bounds: Vec<(f64, f64)>,
    rows: Vec<Row>,
}

impl Row {
    /// The surplus that one kg of the ingredient brings.
    fn surplus(self, i: &Ingredient) -> f64 {
        match self {
            Row::Moisture(goal) => i.moisture().0 - goal,
            Row::Ratio(goal) => (1.0 - i.moisture().0) * (i.carbon().0 - goal * i.nitrogen().0),
        }
    }

    /// What the surplus of one kg is measured against.
    fn divisor(self, i: &Ingredient) -> f64 {
        match self {
            Row::Moisture(_) => MOISTURE_HALF_WIDTH,
            Row::Ratio(goal) => {
                RATIO_HALF_WIDTH * (1.0 - i.moisture().0) * (i.carbon().0 + goal * i.nitrogen().0) / 2.0
            }
        }
    }

    fn goal(self) -> String {
        match self {
            Row::Moisture(goal) => format!("{} % moisture", tenth(goal * 100.0)),
            Row::Ratio(goal) => format!("C:N {}", tenth(goal)),
        }
    }

    fn of(self, i: &Ingredient) -> String {
        match self {
            Row::Moisture(_) => format!("{} %", tenth(i.moisture().0 * 100.0)),
            Row::Ratio(_) if i.nitrogen().0 == 0.0 => "no nitrogen".into(),
            Row::Ratio(_) => format!("C:N {}", tenth(i.carbon().0 / i.nitrogen().0)),
        }
    }

    /// What would help, where the mix has this surplus.
    fn wanted(self, surplus: f64) -> &'static str {
        match (self, surplus > 0.0) {
            (Row::Moisture(_), true) => "add an ingredient drier than the goal",
            (Row::Moisture(_), false) => "add water, or an ingredient wetter than the goal",
            (Row::Ratio(_), true) => "add an ingredient with a C:N below the goal",
            (Row::Ratio(_), false) => "add an ingredient with a C:N above the goal",
        }
    }
}

impl<'a> Problem<'a> {
    fn parts(&self, amounts: &[f64]) -> Vec<Part<'a>> {
        let chosen = self.choices.iter().map(|choice| choice.ingredient).zip(amounts.iter().copied());
        let all = self.given.iter().copied().chain(chosen);
        all.map(|(ingredient, q)| Part { ingredient, amount: Amount::Mass(Kilograms(q)) }).collect()
    }

    fn total(&self, amounts: &[f64], of: impl Fn(&Ingredient) -> f64) -> f64 {
        let given: f64 = self.given.iter().map(|(i, q)| q * of(i)).sum();
        given + self.choices.iter().zip(amounts).map(|(choice, q)| q * of(choice.ingredient)).sum::<f64>()
    }

    /// Refuses a goal that no amounts within the bounds reach.
    fn reachable(&self, row: Row) -> Result<(), GoalError> {
        let toward = |sign: f64| -> Vec<f64> {
            let end = |(choice, (least, most)): (&Choice<'_>, &(f64, f64))| {
                if row.surplus(choice.ingredient) * sign > 0.0 { *most } else { *least }
            };
            self.choices.iter().zip(&self.bounds).map(end).collect()
        };
        for (sign, amounts) in [(-1.0, toward(-1.0)), (1.0, toward(1.0))] {
            let surplus = self.total(&amounts, |i| row.surplus(i));
            if surplus * sign < -MET * self.total(&amounts, |i| row.divisor(i)) {
                return Err(self.out_of_reach(row, surplus, &amounts));
            }
        }
        Ok(())
    }

    fn out_of_reach(&self, row: Row, surplus: f64, nearest: &[f64]) -> GoalError {
        let mut in_the_way = Vec::new();
        for (choice, (least, most)) in self.choices.iter().zip(&self.bounds) {
            let (name, value) = (choice.ingredient.name(), row.of(choice.ingredient));
            let own = row.surplus(choice.ingredient);
            in_the_way.push(if own == 0.0 {
                format!("{name} ({value}) does not move it")
            } else if (own > 0.0) == (surplus > 0.0) {
                let least =
                    if *least > 0.0 { format!(", and {} kg of it must go in", tenth(*least)) } else { String::new() };
                format!("{name} ({value}) is on the wrong side of the goal{least}")
            } else {
                format!("{name} ({value}) is on the right side, but limited to {} kg; allow more of it", tenth(*most))
            });
        }
        let what = match row {
            Row::Moisture(_) => {
                mix(&self.parts(nearest), Fraction(0.0)).map(|f| format!("{} %", tenth(f.moisture.0 * 100.0)))
            }
            Row::Ratio(_) => mix(&self.parts(nearest), Fraction(0.0)).map(|f| match f.carbon_to_nitrogen {
                Some(ratio) => format!("C:N {}", tenth(ratio)),
                None => "a mix without nitrogen".into(),
            }),
        };
        in_the_way.push(row.wanted(surplus).into());
        GoalError::OutOfReach { goal: row.goal(), nearest: what.unwrap_or_else(|e| e.to_string()), in_the_way }
    }

    /// What each row's surplus is divided by; a mix with neither carbon nor nitrogen has nothing to divide, and no surplus.
    fn divisors(&self, amounts: &[f64]) -> Vec<f64> {
        let positive = |divisor: f64| if divisor > 0.0 { divisor } else { 1.0 };
        self.rows.iter().map(|row| positive(self.total(amounts, |i| row.divisor(i)))).collect()
    }

    /// How far the goals are missed, measured by the mix's own divisors.
    fn miss(&self, amounts: &[f64]) -> f64 {
        let divisors = self.divisors(amounts);
        let squares = self.rows.iter().zip(divisors).map(|(row, divisor)| {
            let part = self.total(amounts, |i| row.surplus(i)) / divisor;
            part * part
        });
        libm::sqrt(squares.sum())
    }

    /// The amounts within the bounds with the least sum of squares.
    fn least_squares(&self, divisors: &[f64]) -> Vec<f64> {
        let rows: Vec<Linear> = self
            .rows
            .iter()
            .zip(divisors)
            .map(|(row, divisor)| Linear {
                constant: self.given.iter().map(|(i, q)| q * row.surplus(i)).sum::<f64>() / divisor,
                slopes: self.choices.iter().map(|choice| row.surplus(choice.ingredient) / divisor).collect(),
            })
            .collect();
        bounded_least_squares(&rows, &self.bounds)
    }
}

struct Linear {
    constant: f64,
    slopes: Vec<f64>,
}

impl Linear {
    fn at(&self, x: &[f64]) -> f64 {
        self.constant + self.slopes.iter().zip(x).map(|(slope, x)| slope * x).sum::<f64>()
    }
}

/// The least sum of squares of one or two rows over a box, and of equally good points the one with the least sum.
///
/// Every unknown stands on its lower bound, on its upper bound, or is free; at most as many are free as there are rows. All such
/// points are tried: the optimum is among them, because the optimal face of a box under linear rows has such a vertex.
fn bounded_least_squares(rows: &[Linear], bounds: &[(f64, f64)]) -> Vec<f64> {
    let n = bounds.len();
    let mut best: Option<(f64, f64, Vec<f64>)> = None;
    for code in 0..3usize.pow(n as u32) {
        let state: Vec<usize> = (0..n).map(|i| code / 3usize.pow(i as u32) % 3).collect();
        let free: Vec<usize> = (0..n).filter(|i| state[*i] == 2).collect();
        let mut x: Vec<f64> = (0..n)
            .map(|i| {
                if state[i] == 1 {
                    bounds[i].1
                } else if state[i] == 0 {
                    bounds[i].0
                } else {
                    0.0
                }
            })
            .collect();
        let solved = match (free.as_slice(), rows) {
            ([], _) => Some(vec![]),
            ([i], _) => {
                let square: f64 = rows.iter().map(|row| row.slopes[*i] * row.slopes[*i]).sum();
                let along: f64 = rows.iter().map(|row| row.slopes[*i] * row.at(&x)).sum();
                (square > 0.0).then(|| vec![-along / square])
            }
            ([i, j], [a, b]) => {
                let (a_i, a_j, b_i, b_j) = (a.slopes[*i], a.slopes[*j], b.slopes[*i], b.slopes[*j]);
                let determinant = a_i * b_j - a_j * b_i;
                let (a_0, b_0) = (a.at(&x), b.at(&x));
                (determinant != 0.0)
                    .then(|| vec![(a_j * b_0 - b_j * a_0) / determinant, (b_i * a_0 - a_i * b_0) / determinant])
            }
            _ => None,
        };
        let Some(solved) = solved else { continue };
        for (i, value) in free.iter().zip(solved) {
            x[*i] = value;
        }
        // A value that is not a number fails the test and leaves the bounds as candidates.
        if !x.iter().zip(bounds).all(|(x, (least, most))| x >= least && x <= most) {
            continue;
        }
        let squares: f64 = rows.iter().map(|row| row.at(&x) * row.at(&x)).sum();
        let sum: f64 = x.iter().sum();
        // Rounding must not hide that two points are equally good.
        let squares = if squares < MET * MET { 0.0 } else { squares };
        if best.as_ref().is_none_or(|(s, m, _)| squares < *s || (squares == *s && sum < *m)) {
            best = Some((squares, sum, x));
        }
    }
    best.map_or_else(|| bounds.iter().map(|(least, _)| *least).collect(), |(_, _, x)| x)
}

fn bounds(choice: &Choice<'_>) -> Result<(f64, f64), GoalError> {
    let (least, most) = (choice.least.0, choice.most.map_or(MASS_KILOGRAMS_MAX, |most| most.0));
    if least >= 0.0 && least <= most && most <= MASS_KILOGRAMS_MAX {
        Ok((least, most))
    } else {
        Err(GoalError::Bounds { ingredient: choice.ingredient.name().into(), least, most })
    }
}

fn rows(goals: Goals) -> Result<Vec<Row>, GoalError> {
    let mut rows = Vec::new();
    if let Some(Fraction(value)) = goals.moisture {
        if !(value > 0.0 && value < 1.0) {
            return Err(GoalError::Goal { what: "a moisture fraction", value, range: "above 0 and below 1" });
        }
        rows.push(Row::Moisture(value));
    }
    if let Some(value) = goals.carbon_to_nitrogen {
        if !(CARBON_TO_NITROGEN_GOAL_MIN..=CARBON_TO_NITROGEN_GOAL_MAX).contains(&value) {
            return Err(GoalError::Goal { what: "a C:N", value, range: "1 to 1000" });
        }
        rows.push(Row::Ratio(value));
    }
    if rows.is_empty() { Err(GoalError::NoGoal) } else { Ok(rows) }
}

/// The value to a tenth, without a needless zero behind the point.
fn tenth(value: f64) -> String {
    let text = format!("{value:.1}");
    text.strip_suffix(".0").map_or_else(|| text.clone(), str::to_owned)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn no_point_of_the_box_is_better(
            rows in prop::collection::vec((-5.0..5.0f64, prop::collection::vec(-2.0..2.0f64, 3)), 1..=2),
            bounds in prop::collection::vec((0.0..2.0f64, 0.0..3.0f64), 1..=3),
            other in prop::collection::vec(0.0..=1.0f64, 3),
        ) {
            let bounds: Vec<_> = bounds.iter().map(|(least, width)| (*least, least + width)).collect();
            let rows: Vec<_> = rows
                .into_iter()
                .map(|(constant, slopes)| Linear { constant, slopes: slopes[..bounds.len()].to_vec() })
                .collect();
            let squares = |x: &[f64]| rows.iter().map(|row| row.at(x) * row.at(x)).sum::<f64>();
            let found = bounded_least_squares(&rows, &bounds);
            let rival: Vec<_> = bounds.iter().zip(&other).map(|((a, b), part)| a + (b - a) * part).collect();
            prop_assert!(squares(&found) <= squares(&rival) + 1e-9, "{found:?} against {rival:?}");
            prop_assert!(found.iter().zip(&bounds).all(|(x, (least, most))| x >= least && x <= most));
        }
    }
}
