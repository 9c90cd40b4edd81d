//! Files whose skins have helper joints of an earlier bake: their weights, with those joints in motion.

use std::sync::Arc;

use super::Watch;
use super::helpers::{driven, followed};
use super::work::Work;
use crate::asset::Loaded;
use crate::drive::Driver;
use crate::error::Error;
use crate::fit::helpers::Helper;
use crate::pose::Poses;
use crate::rig::{Character, JointId, JointSpec, PoseSequence, Weights, add_to};

/// The helper joints of a skin, behind all others.
pub(super) struct Worn {
    /// The skin with them.
    pub character: Character,
    /// Joints that are none.
    first: usize,
    /// What drives them, if the file says so.
    drivers: Option<Vec<Driver>>,
}

/// A character with the helper joints of a file behind its own.
pub(super) struct Wearing<'a> {
    pub character: Character,
    worn: &'a Worn,
}

impl Worn {
    /// The helper joints of a skin, if it has any.
    pub fn of(loaded: &Loaded) -> Option<Self> {
        let skeleton = &loaded.character.skeleton;
        let first = skeleton.joints().len().checked_sub(loaded.helpers.len())?;
        // Behind all others, as they were written: else they are joints like others.
        let places = (loaded.helpers.iter()).all(|(id, _)| id.index() >= first);
        let hang = |id: &JointId| {
            let parent = skeleton.joint(*id).parent;
            parent.is_some_and(|parent| parent.index() < first)
        };
        let hang = loaded.helpers.iter().all(|(id, _)| hang(id));
        if loaded.helpers.is_empty() || first == 0 || !places || !hang {
            return None;
        }
        let mut helpers = loaded.helpers.clone();
        helpers.sort_by_key(|helper| helper.0);
        let drivers = helpers.iter();
        let drivers = drivers.map(|(_, value)| Driver::from_json(value, skeleton).ok());
        Some(Self {
            character: loaded.character.clone(),
            first,
            drivers: drivers.collect(),
        })
    }

    /// Takes the helper joints of a skin off: what they carry goes to the joints that they hang from.
    pub fn strip(loaded: &mut Loaded) -> Option<Self> {
        let worn = Self::of(loaded)?;
        let skeleton = &worn.character.skeleton;
        let host = |id: JointId| match id.index() < worn.first {
            true => id,
            // Each hangs from a joint that is none.
            false => skeleton.joint(id).parent.unwrap_or(id),
        };
        loaded.character.weights = (worn.character.weights.as_ref()).map(|weights| {
            let slots = weights.slots();
            let mut entries = vec![(JointId(0), 0.0); slots * weights.len()];
            for (v, slots) in entries.chunks_exact_mut(slots).enumerate() {
                let mut row: Vec<(JointId, f64)> = Vec::new();
                for (id, weight) in weights.of(v) {
                    add_to(&mut row, host(id), f64::from(weight));
                }
                for (slot, (id, weight)) in slots.iter_mut().zip(row) {
                    *slot = (id, weight as f32);
                }
            }
            Weights::new(slots, entries)
        });
        loaded.character.skeleton = skeleton.first(worn.first);
        loaded.helpers.clear();
        Some(worn)
    }

    /// A reference with these joints behind its own; `None` if it lacks one that they hang from.
    pub fn on(&self, reference: &Character) -> Option<Wearing<'_>> {
        let own = &self.character.skeleton;
        let specs = own.joints()[self.first..].iter().map(|joint| {
            let parent = &own.joint(joint.parent?).name;
            Some(JointSpec {
                name: joint.name.clone(),
                node: joint.node,
                parent: Some(reference.skeleton.find(parent)?.index()),
                inverse_bind: joint.bind_world.try_inverse()?,
            })
        });
        let specs: Vec<JointSpec> = specs.collect::<Option<_>>()?;
        Some(Wearing {
            character: Character {
                skeleton: reference.skeleton.with_joints(&specs).ok()?,
                ..reference.clone()
            },
            worn: self,
        })
    }

    /// What the user should know of how they move in poses.
    pub fn note(&self) -> String {
        let count = self.character.skeleton.joints().len() - self.first;
        match self.drivers {
            Some(_) => {
                format!("{count} helper joints move as the file says that other joints drive them")
            }
            None => format!(
                "{count} helper joints move as fits each pose best, as they do in clips: in other poses engines let them \
                 stand"
            ),
        }
    }
}

impl Wearing<'_> {
    /// Moves the helper joints in the poses of a work on the reference, for weights that name them.
    pub fn dress<'a>(
        &'a self,
        work: Work<'a>,
        weights: &Weights,
        threads: (usize, &dyn Watch),
    ) -> Result<Work<'a>, Error> {
        let mut work = self.put_on(work);
        work.poses.fit = self.posed(&work, weights, &work.poses.fit, threads)?;
        work.poses.held_out = self.posed(&work, weights, &work.poses.held_out, threads)?;
        Ok(work)
    }

    /// The same for a work that is needed as it is too, if there are helper joints.
    pub fn dressed<'a>(
        wearing: Option<&'a Self>,
        work: &Work<'a>,
        weights: &Weights,
        threads: (usize, &dyn Watch),
    ) -> Result<Option<Work<'a>>, Error> {
        let dress = |one: &'a Self| one.dress(work.clone(), weights, threads);
        wearing.map(dress).transpose()
    }

    /// A work on the reference with the helper joints, which stand still in its poses.
    pub fn put_on<'a>(&'a self, work: Work<'a>) -> Work<'a> {
        Work {
            character: &self.character,
            first_helper: Some(self.first()),
            ..work
        }
    }

    /// Poses of a work with the helper joints, in which these move, for weights that name them.
    pub fn posed(
        &self,
        work: &Work,
        weights: &Weights,
        poses: &Poses,
        threads: (usize, &dyn Watch),
    ) -> Result<Poses, Error> {
        if poses.is_empty() {
            return Ok(poses.clone());
        }
        let first = self.first();
        let helpers = self.helpers(first, work, weights);
        let moves = match &self.worn.drivers {
            Some(drivers) => driven(drivers, poses),
            None => followed(work, first, &helpers, weights, poses, None, threads)?,
        };
        Ok(poses.with_added(first, moves))
    }

    /// The first of the helper joints.
    fn first(&self) -> usize {
        let helpers = self.worn.character.skeleton.joints().len() - self.worn.first;
        self.character.skeleton.joints().len() - helpers
    }

    /// The helper joints with the vertices that have weight on them.
    fn helpers(&self, first: usize, work: &Work, weights: &Weights) -> Vec<Helper> {
        let skeleton = &self.character.skeleton;
        let (rest, centre) = (work.stack.rest(), work.stack.centre);
        let mut vertices = vec![Vec::new(); skeleton.joints().len() - first];
        for v in 0..weights.len() {
            for (id, _) in weights.of(v).filter(|entry| entry.0.index() >= first) {
                vertices[id.index() - first].push(v as u32);
            }
        }
        let joints = skeleton.ids().skip(first).zip(vertices);
        joints
            .map(|(id, vertices)| {
                let origin = skeleton.origin(id);
                let place: [f64; 3] = std::array::from_fn(|i| origin[i] - centre[i]);
                let square = |&v: &u32| -> f64 {
                    let at = rest[v as usize];
                    (0..3).map(|i| (f64::from(at[i]) - place[i]).powi(2)).sum()
                };
                let mean = vertices.iter().map(square).sum::<f64>() / vertices.len().max(1) as f64;
                Helper {
                    // `Worn` has only joints that hang from another one.
                    parent: skeleton.joint(id).parent.unwrap_or(JointId(0)),
                    place,
                    seed: vertices.first().map_or(0, |&v| v as usize),
                    vertices: Arc::from(vertices),
                    partner: None,
                    radius: mean.sqrt(),
                }
            })
            .collect()
    }
}
