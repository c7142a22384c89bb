//! Muscles and skin territories.

use super::coded;

/// Muscle or skin: their milestones, and their patience, differ.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Kind {
    /// A muscle: its endplates are lost 12 to 18 months after the injury.
    Muscle,
    /// A skin territory: no sharp limit.
    Skin,
}

coded! {
    /// What axons should reach: a muscle or a skin territory; codes of `CodeSystem/reinnervation-target`.
    Structure {
        TeresMinor, "teres-minor", "teres minor (external rotation of the shoulder)";
        Deltoid, "deltoid", "deltoid (shoulder abduction)";
        Biceps, "biceps", "biceps (elbow flexion)";
        Brachialis, "brachialis", "brachialis (elbow flexion)";
        Triceps, "triceps", "triceps (elbow extension)";
        Brachioradialis, "brachioradialis", "brachioradialis (elbow flexion in neutral)";
        ExtensorCarpiRadialisLongus, "extensor-carpi-radialis-longus", "extensor carpi radialis longus (wrist extension)";
        ExtensorCarpiRadialisBrevis, "extensor-carpi-radialis-brevis", "extensor carpi radialis brevis (wrist extension)";
        Supinator, "supinator", "supinator (forearm supination)";
        ExtensorDigitorum, "extensor-digitorum", "extensor digitorum (finger extension)";
        ExtensorCarpiUlnaris, "extensor-carpi-ulnaris", "extensor carpi ulnaris (ulnar wrist extension)";
        ExtensorDigitiMinimi, "extensor-digiti-minimi", "extensor digiti minimi (little finger extension)";
        AbductorPollicisLongus, "abductor-pollicis-longus", "abductor pollicis longus (radial abduction of the thumb)";
        ExtensorPollicisLongus, "extensor-pollicis-longus", "extensor pollicis longus (thumb tip extension)";
        ExtensorPollicisBrevis, "extensor-pollicis-brevis", "extensor pollicis brevis (thumb base extension)";
        ExtensorIndicis, "extensor-indicis", "extensor indicis (index finger extension)";
        PronatorTeres, "pronator-teres", "pronator teres (forearm pronation)";
        FlexorCarpiRadialis, "flexor-carpi-radialis", "flexor carpi radialis (wrist flexion)";
        FlexorDigitorumSuperficialis, "flexor-digitorum-superficialis", "flexor digitorum superficialis (middle joint flexion)";
        FlexorDigitorumProfundusIndex, "flexor-digitorum-profundus-index", "flexor digitorum profundus of the index finger (fingertip flexion)";
        FlexorPollicisLongus, "flexor-pollicis-longus", "flexor pollicis longus (thumb tip flexion)";
        PronatorQuadratus, "pronator-quadratus", "pronator quadratus (forearm pronation)";
        AbductorPollicisBrevis, "abductor-pollicis-brevis", "abductor pollicis brevis (palmar abduction of the thumb)";
        FlexorCarpiUlnaris, "flexor-carpi-ulnaris", "flexor carpi ulnaris (ulnar wrist flexion)";
        FlexorDigitorumProfundusUlnar, "flexor-digitorum-profundus-ulnar", "flexor digitorum profundus of ring and little finger (fingertip flexion)";
        AbductorDigitiMinimi, "abductor-digiti-minimi", "abductor digiti minimi (little finger abduction)";
        HandInterossei, "hand-interossei", "interossei of the hand (finger spreading)";
        AdductorPollicis, "adductor-pollicis", "adductor pollicis (key pinch)";
        FirstDorsalInterosseous, "first-dorsal-interosseous", "first dorsal interosseous (index finger abduction)";
        RectusFemoris, "rectus-femoris", "rectus femoris (knee extension)";
        VastusLateralis, "vastus-lateralis", "vastus lateralis (knee extension)";
        VastusMedialis, "vastus-medialis", "vastus medialis (final knee extension)";
        Hamstrings, "hamstrings", "hamstrings (knee flexion)";
        TibialisAnterior, "tibialis-anterior", "tibialis anterior (ankle dorsiflexion)";
        FibularisLongus, "fibularis-longus", "fibularis longus (foot eversion)";
        FibularisBrevis, "fibularis-brevis", "fibularis brevis (foot eversion)";
        ExtensorDigitorumLongus, "extensor-digitorum-longus", "extensor digitorum longus (toe extension)";
        ExtensorHallucisLongus, "extensor-hallucis-longus", "extensor hallucis longus (great toe extension)";
        ExtensorDigitorumBrevis, "extensor-digitorum-brevis", "extensor digitorum brevis (toe extension in the foot)";
        GastrocnemiusMedial, "gastrocnemius-medial", "gastrocnemius, medial head (ankle plantar flexion)";
        GastrocnemiusLateral, "gastrocnemius-lateral", "gastrocnemius, lateral head (ankle plantar flexion)";
        Soleus, "soleus", "soleus (ankle plantar flexion)";
        TibialisPosterior, "tibialis-posterior", "tibialis posterior (foot inversion)";
        FlexorHallucisLongus, "flexor-hallucis-longus", "flexor hallucis longus (great toe flexion)";
        FlexorDigitorumLongus, "flexor-digitorum-longus", "flexor digitorum longus (toe flexion)";
        AbductorHallucis, "abductor-hallucis", "abductor hallucis (intrinsic muscles of the foot)";
        LateralShoulder, "lateral-shoulder", "lateral shoulder";
        LateralForearm, "lateral-forearm", "lateral forearm";
        FirstDorsalWebOfHand, "first-dorsal-web-of-hand", "first dorsal web of the hand";
        ThumbAndIndexPulp, "thumb-and-index-pulp", "pulp of thumb and index finger";
        DorsalUlnarHand, "dorsal-ulnar-hand", "dorsal ulnar hand";
        LittleFingerPulp, "little-finger-pulp", "pulp of the little finger";
        DigitPulp, "digit-pulp", "pulp of the digit, on the side of the nerve";
        MedialLeg, "medial-leg", "medial leg";
        DorsumOfFoot, "dorsum-of-foot", "dorsum of the foot";
        FirstDorsalWebOfFoot, "first-dorsal-web-of-foot", "first dorsal web of the foot";
        Sole, "sole", "sole of the forefoot and pulp of the great toe";
        LateralFoot, "lateral-foot", "lateral border of the foot";
    }
}

impl Structure {
    /// Muscle or skin.
    pub fn kind(self) -> Kind {
        match self {
            Self::LateralShoulder
            | Self::LateralForearm
            | Self::FirstDorsalWebOfHand
            | Self::ThumbAndIndexPulp
            | Self::DorsalUlnarHand
            | Self::LittleFingerPulp
            | Self::DigitPulp
            | Self::MedialLeg
            | Self::DorsumOfFoot
            | Self::FirstDorsalWebOfFoot
            | Self::Sole
            | Self::LateralFoot => Kind::Skin,
            _ => Kind::Muscle,
        }
    }

    /// Whether it is a small muscle of the hand.
    pub fn is_hand_intrinsic(self) -> bool {
        matches!(
            self,
            Self::AbductorPollicisBrevis
                | Self::AbductorDigitiMinimi
                | Self::HandInterossei
                | Self::AdductorPollicis
                | Self::FirstDorsalInterosseous
        )
    }

    /// Whether it is a muscle of the common fibular nerve or its branches.
    pub fn is_fibular(self) -> bool {
        matches!(
            self,
            Self::TibialisAnterior
                | Self::FibularisLongus
                | Self::FibularisBrevis
                | Self::ExtensorDigitorumLongus
                | Self::ExtensorHallucisLongus
                | Self::ExtensorDigitorumBrevis
        )
    }

    /// Whether it has the shorter, distal denervation limit: hand intrinsics and muscles of the common fibular nerve.
    pub fn is_distal_limit(self) -> bool {
        self.is_hand_intrinsic() || self.is_fibular()
    }
}
