"""Let a nursery's corrected outlines shift the tissue model, where that helps."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

from fragarea.cli.options import existing, nursery_option
from fragarea.errors import SettingsProblem


@click.command()
@click.argument("corrections", type=click.Path(path_type=Path), required=False)
@nursery_option
@click.option("--dry-run", is_flag=True, help="Only say whether the corrections would help.")
@click.option("--forget", "forgets", is_flag=True, help="Go back to the tissue model as it came.")
def adapt(corrections: Path | None, nursery: Path | None, dry_run: bool, forgets: bool) -> None:
    """Learn from the folder CORRECTIONS of windows whose outlines people have put right.

    Fits how the nursery's corals, light and way of drawing edges shift the model, judges that on corrections held
    back, and keeps the former model unless outlines are better beyond chance. Takes a minute or so on a laptop.
    Photos are measured again with the new model by the next `fragarea measure`; old measurements stay in the logbook.

    \b
    Examples:
      fragarea adapt corrections --nursery my-nursery
      fragarea adapt corrections --dry-run
      fragarea adapt --nursery my-nursery --forget
    """
    from fragarea.adapt import adapt as learn
    from fragarea.adapt import forget, load_calibration, read_corrections, save_calibration
    from fragarea.tissue.calibration import AS_LEARNED

    if forgets:
        if nursery is None or corrections is not None:
            raise SettingsProblem("--forget goes with --nursery alone.")
        kept = forget(nursery)
        click.echo(f"the model as it came is in use; the shifts are kept in {kept}" if kept else "nothing to forget")
        return
    if corrections is None:
        raise SettingsProblem("Give the folder of corrected windows, or --forget.")
    if nursery is None and not dry_run:
        raise SettingsProblem("Give --nursery FOLDER, whose model is to learn, or --dry-run.")
    read = read_corrections(existing(corrections))
    learned = learn(read, load_calibration(nursery) if nursery else AS_LEARNED)
    before, after = learned.before, learned.after
    click.echo(f"{len(read)} windows of {len({one.photo for one in read})} photos; judged on those held back:")
    for name, one in (("as it is", before), ("adapted", after)):
        click.echo(f"  {name:<9} overlap {one.mean_iou:.3f}, area off by {100 * one.usual_error:.1f} %")
    click.echo(f"  gain in overlap {learned.gain_iou:+.4f}, uncertain by {learned.gain_iou_u:.4f}")
    if not learned.better:
        click.echo("not better beyond chance: the former model is kept")
        return
    shift = learned.calibration
    click.echo(
        f"better: live {shift.live:+.2f}, bleached {shift.bleached:+.2f}, dead {shift.dead:+.2f} (log-odds), "
        f"edge {shift.edge_mm:+.2f} mm"
    )
    if dry_run or nursery is None:
        return
    told = {
        "windows": len(read),
        "photos": len({one.photo for one in read}),
        "held_back": {"overlap_before": before.mean_iou, "overlap_after": after.mean_iou},
    }
    path = save_calibration(nursery, shift, told, made_on=date.today().isoformat())
    click.echo(f"wrote {path}; the next fragarea measure measures the photos again with it")
