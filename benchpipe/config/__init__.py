"""Lab, rig, plan and limit files (TOML) → frozen models."""
