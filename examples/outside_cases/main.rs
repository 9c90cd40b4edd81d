//! Writes what the checks in `tests/outside` compare with their references: for each character its
//! input, the baked file with its clip, twenty poses, and the positions that this library gives in them and in
//! some poses of the clip. Also the ramp of
//! colours.
//!
//! `cargo run --release --example outside_cases -- FOLDER CHARACTER.glb…`

use std::fs;
use std::path::{Path, PathBuf};

use tanyard::asset::{Document, characters};
use tanyard::bind;
use tanyard::deform::{
    Border, LayerKind, LayerOptions, MushOptions, RelaxOptions, Scratch, Skinning, Stack,
};
use tanyard::job::{self, Request, Stage, Watch};
use tanyard::picture;
use tanyard::pose::{file, pose_set};
use tanyard::recipe::Recipe;
use tanyard::rig::{Block, Character, JointId, LANES, Pose, PoseSequence, Weights};

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

/// The mush that the reference repeats.
const MUSH: MushOptions = MushOptions {
    rounds: 5,
    pull: 0.5,
    detail: 1.0,
    border: Border::Free,
};

/// A relax before it.
const RELAX: RelaxOptions = RelaxOptions {
    rounds: 8,
    stretch: 0.6,
    squash: 0.3,
    anchor: 0.1,
};

/// Rounds for characters of one piece: enough that the library expands them. Small separate pieces shrink
/// nearly to a point under so many, where frames in f32 lose digits (docs/method.md).
const MANY_ROUNDS: usize = 20;

/// Poses compared for each character.
const POSES: usize = 20;

/// Poses of the clip compared for each character.
const CLIP_POSES: usize = 12;

fn main() -> Outcome<()> {
    let mut words = std::env::args_os().skip(1).map(PathBuf::from);
    let folder = words
        .next()
        .ok_or("usage: outside_cases FOLDER CHARACTER.glb...")?;
    let mut written = 0;
    for input in words {
        let name = input.file_stem().ok_or("a character needs a name")?;
        write_case(&input, &folder.join(name))?;
        written += 1;
    }
    let ramp: Vec<[u8; 3]> = (0..=255).map(|i| picture::ramp(i as f32 / 255.0)).collect();
    fs::write(folder.join("ramp.json"), serde_json::to_string(&ramp)?)?;
    println!("{written} cases in {}", folder.display());
    if written == 0 {
        Err("no characters were given".into())
    } else {
        Ok(())
    }
}

fn write_case(input: &Path, case: &Path) -> Outcome<()> {
    fs::create_dir_all(case)?;
    fs::copy(input, case.join("input.glb"))?;
    let baked = case.join("baked.glb");
    let mut request = Request::new(input, Recipe::default());
    request.recipe.write.clip = true;
    job::bake(&request, &baked, &Unwatched)?;
    let sets = job::poses(&request)?;
    let (shown, _) = job::shown(&sets.sets.first().ok_or("no skin")?.poses.fit);

    // Everything below reads the baked file anew, as any other program would.
    let document = Document::open(&baked)?;
    let loaded = characters(&document, None)?;
    let character = &loaded.first().ok_or("no skin in the baked file")?.character;
    let weights = character
        .weights
        .as_ref()
        .ok_or("no weights in the baked file")?;
    let poses = some_poses(character, weights);
    fs::write(
        case.join("poses.json"),
        file::to_json(&poses, &character.skeleton).to_string(),
    )?;
    let skinned = positions(character, weights.clone(), &poses, &[]);
    fs::write(case.join("skinned.f32"), little_endian(&skinned))?;
    // Some of the poses that the clip shows, by their number in it.
    let numbers: Vec<usize> = (0..CLIP_POSES)
        .map(|i| i * (shown.len() - 1) / (CLIP_POSES - 1))
        .collect();
    let some: Vec<Pose> = numbers.iter().map(|&at| shown[at].clone()).collect();
    let in_clip = positions(character, weights.clone(), &some, &[]);
    fs::write(case.join("clip.f32"), little_endian(&in_clip))?;
    let clip = serde_json::json!({
        "name": "tanyard poses",
        "poses": shown.len(),
        "numbers": numbers.iter().map(|at| at + 1).collect::<Vec<_>>(),
    });
    fs::write(case.join("clip.json"), clip.to_string())?;

    let rounds = if character.surface.pieces == 1 {
        MANY_ROUNDS
    } else {
        MUSH.rounds
    };
    let joints = bind::keep(weights);
    let layers = [LayerOptions {
        kind: LayerKind::Mush(MushOptions { rounds, ..MUSH }),
        blend: 1.0,
        mask: None,
    }];
    let mushed = positions(character, Weights::rigid(&joints), &poses, &layers);
    fs::write(case.join("mush.f32"), little_endian(&mushed))?;
    // Not for a reference, but to compare builds to the bit: layers that run one after the other.
    let relax = LayerOptions {
        kind: LayerKind::Relax(RELAX),
        ..layers[0].clone()
    };
    let layered = positions(
        character,
        Weights::rigid(&joints),
        &poses,
        &[relax, layers[0].clone()],
    );
    fs::write(case.join("layers.f32"), little_endian(&layered))?;
    let of_raw = |raw: &u32| -> JointId { joints[*raw as usize] };
    let bind: Vec<u8> = character
        .surface
        .welded
        .iter()
        .map(of_raw)
        .flat_map(|joint| joint.0.to_le_bytes())
        .collect();
    fs::write(case.join("bind.u16"), bind)?;
    let settings = serde_json::json!({ "rounds": rounds, "pull": MUSH.pull });
    fs::write(case.join("case.json"), settings.to_string())?;
    Ok(())
}

/// Poses spread over the set that a bake would fit to.
fn some_poses(character: &Character, weights: &Weights) -> Vec<Pose> {
    let rigid = Weights::rigid(&bind::keep(weights));
    let set = pose_set(
        &character.skeleton,
        &rigid,
        &[],
        &tanyard::pose::Options::default(),
    );
    // Half of them blends, which come last.
    let (count, blends) = (set.fit.len(), POSES / 2);
    let sweeps = POSES - blends;
    let others = count - tanyard::pose::Options::default().blends;
    (0..sweeps)
        .map(|i| i * others / sweeps)
        .chain(count - blends..count)
        .map(|place| set.fit.get(place).into_owned())
        .collect()
}

/// Positions of every raw vertex in every pose, in mesh space.
fn positions(
    character: &Character,
    base: Weights,
    poses: &[Pose],
    layers: &[LayerOptions],
) -> Vec<[f32; 3]> {
    let stack = Stack::new(&character.surface, base, Skinning::Linear, layers);
    let (whole, mut scratch) = (
        stack.whole(character.skeleton.joints().len()),
        Scratch::default(),
    );
    let mut all = Vec::new();
    for chunk in poses.chunks(LANES) {
        let block = Block::new(
            &character.skeleton,
            &chunk.iter().collect::<Vec<_>>(),
            stack.centre,
        );
        let shapes = whole.evaluate(block, (0..chunk.len()).collect(), &mut scratch, Vec::new());
        let points = shapes.points();
        for lane in 0..chunk.len() {
            all.extend(character.surface.welded.iter().map(|&v| {
                let point = points[v as usize].lane(lane);
                std::array::from_fn::<f32, 3, _>(|i| (f64::from(point[i]) + stack.centre[i]) as f32)
            }));
        }
    }
    all
}

fn little_endian(points: &[[f32; 3]]) -> Vec<u8> {
    points
        .iter()
        .flatten()
        .flat_map(|x| x.to_le_bytes())
        .collect()
}

struct Unwatched;

impl Watch for Unwatched {
    fn progress(&self, _: &str, _: Stage, _: usize, _: usize) {}

    fn interrupted(&self) -> bool {
        false
    }
}
